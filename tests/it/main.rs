//! All end-to-end tests in one program: one topic a module.

mod config_access;
mod config_folder;
mod damaged_files;
mod diagnostics_shown;
mod example_jobs;
mod right_job_files;
mod wrong_job_files;
mod wrong_server_files;
