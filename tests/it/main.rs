//! Tests of whole rooms and of the program, against things outside the project.

mod mail;
mod smtp;
mod smtp_listener;
mod smtp_outbox;
mod smtp_server;
mod studio_run;
