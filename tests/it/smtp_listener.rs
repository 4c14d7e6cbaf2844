//! A tiny SMTP listener that misbehaves as told: what no well-kept server can be made to do.

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// How it answers.
#[derive(Clone, Copy)]
pub enum Habit {
    /// Takes the connection and never says a word.
    Silent,
    /// Sends a byte now and then and never ends its line.
    Drips,
    /// Offers no STARTTLS, as if somebody in between had cut it out; else takes everything.
    WithoutStartTls,
    /// Closes the connection in the middle of the mail.
    HangsUp,
    /// Says yes to everything until the recipient, then this.
    Answers(&'static str),
}

pub struct Listener {
    pub port: u16,
    heard: Arc<Mutex<Vec<String>>>,
}

impl Listener {
    pub fn start(habit: Habit) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let log = Arc::clone(&heard);
        // Ends with the test process.
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let log = Arc::clone(&log);
                thread::spawn(move || converse(&stream, habit, &log));
            }
        });
        Self { port, heard }
    }

    /// Every line a client said.
    pub fn heard(&self) -> Vec<String> {
        self.heard.lock().unwrap().clone()
    }
}

fn converse(mut stream: &TcpStream, habit: Habit, log: &Mutex<Vec<String>>) {
    if matches!(habit, Habit::Silent) {
        let _ = BufReader::new(stream).lines().count();
        return;
    }
    if matches!(habit, Habit::Drips) {
        while stream.write_all(b"2").is_ok() {
            thread::sleep(Duration::from_millis(50));
        }
        return;
    }
    let _ = stream.write_all(b"220 mail.studio.example\r\n");
    let mut in_mail = false;
    for line in BufReader::new(stream).lines() {
        let Ok(line) = line else { return };
        log.lock().unwrap().push(line.clone());
        let verb = line.split(' ').next().unwrap_or("").to_ascii_uppercase();
        let answer = match (in_mail, verb.as_str(), habit) {
            (true, ".", _) => {
                in_mail = false;
                "250 kept"
            }
            (true, ..) => continue,
            (_, "EHLO", _) => "250-mail.studio.example\r\n250 8BITMIME",
            (_, "RCPT", Habit::Answers(words)) => words,
            (_, "DATA", Habit::HangsUp) => return,
            (_, "DATA", _) => {
                in_mail = true;
                "354 go on"
            }
            (_, "QUIT", _) => "221 bye",
            _ => "250 well",
        };
        if stream
            .write_all(format!("{answer}\r\n").as_bytes())
            .is_err()
        {
            return;
        }
    }
}
