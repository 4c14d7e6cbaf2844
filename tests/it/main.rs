//! All integration tests, one binary, one topic a file.

mod crontab_lines;
mod crontab_oracle;
mod due_year;
mod scripted_host;
mod serve_loop;
mod serve_process;
