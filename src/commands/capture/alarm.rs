//! The user's command for alarms.

use std::process::{Child, Command, Stdio};

/// The user's command for alarms.
#[derive(Debug)]
pub struct Hook {
    command: String,
    running: Vec<Child>,
}

impl Hook {
    /// `command` is given to the shell as it is.
    pub fn new(command: String) -> Self {
        Self {
            command,
            running: Vec::new(),
        }
    }

    /// Starts the command with the message in `SPANHOLD_ALARM`; does not wait.
    pub fn start(&mut self, message: &str) {
        let (shell, option) = if cfg!(windows) {
            ("cmd", "/C")
        } else {
            ("sh", "-c")
        };
        let started = Command::new(shell)
            .args([option, &self.command])
            .env("SPANHOLD_ALARM", message)
            .stdin(Stdio::null())
            .spawn();
        match started {
            Ok(child) => self.running.push(child),
            Err(error) => {
                tracing::error!(command = %self.command, %error, "The alarm command cannot be started.");
            }
        }
    }

    /// Collects commands that have ended.
    pub fn collect(&mut self) {
        self.running.retain_mut(|child| match child.try_wait() {
            Ok(None) => true,
            Ok(Some(status)) => {
                if !status.success() {
                    tracing::error!(%status, "The alarm command failed.");
                }
                false
            }
            Err(_) => false,
        });
    }
}
