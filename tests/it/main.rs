//! End-to-end tests: one binary, a topic a file.

mod crontab_lines;
mod crontab_oracle;
mod due_year;
mod mail;
mod scripted_host;
mod serve_loop;
mod serve_process;
mod smtp;
mod smtp_listener;
mod smtp_outbox;
mod smtp_server;
mod studio_run;
