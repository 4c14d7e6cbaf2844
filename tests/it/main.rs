//! End-to-end tests: one binary, a topic a file.

mod config_access;
mod config_folder;
mod crontab_lines;
mod crontab_oracle;
mod damaged_files;
mod diagnostics_shown;
mod due_year;
mod example_jobs;
mod first_runs;
mod mail;
mod right_job_files;
mod scripted_host;
mod serve_loop;
mod serve_process;
mod service_files;
mod service_stops;
mod service_times;
mod service_world;
mod smtp;
mod smtp_listener;
mod smtp_outbox;
mod smtp_server;
mod studio_run;
mod world;
mod wrong_job_files;
mod wrong_server_files;
