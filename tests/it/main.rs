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
mod kinds_archive;
mod kinds_history;
mod kinds_mirror;
mod kinds_trees;
mod mail;
mod right_job_files;
mod scripted_host;
mod serve_loop;
mod serve_process;
mod smtp;
mod smtp_listener;
mod smtp_outbox;
mod smtp_server;
mod studio_run;
mod world;
mod wrong_job_files;
mod wrong_server_files;
