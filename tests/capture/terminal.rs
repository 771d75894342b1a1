//! What a person sees on the terminal that a capture runs in: a line at its foot, a short
//! line a point above it; and that nothing of it is in a pipe.

use std::fs::File;
use std::io::Read as _;
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use nix::pty::{Winsize, openpty};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::bench::captured::setup;
use crate::bench::line::{Device, Line};
use crate::bench::run_folder::RunFolder;

const SOON: Duration = Duration::from_mins(1);
const COLUMNS: u16 = 120;

/// What stands on the terminal's lines one after the other: sequences that move the cursor
/// or colour are taken out, each beginning of a line begins one, and what is wider than the
/// terminal goes on in the next, as a terminal has it.
fn lines(drawn: &str) -> Vec<String> {
    let mut plain = String::new();
    let mut letters = drawn.chars();
    while let Some(letter) = letters.next() {
        if letter == '\u{1b}' {
            // CSI: parameters up to a letter (ECMA-48, 5.4).
            letters.by_ref().find(char::is_ascii_alphabetic);
            plain.push('\n');
        } else {
            plain.push(letter);
        }
    }
    let mut lines = Vec::new();
    for part in plain.split(['\r', '\n']) {
        let letters: Vec<char> = part.chars().collect();
        let rows = letters
            .chunks(usize::from(COLUMNS))
            .map(|row| row.iter().collect::<String>());
        lines.extend(rows.filter(|row| !row.trim().is_empty()));
    }
    lines
}

#[test]
fn a_terminal_has_a_line_while_tuning_and_one_a_point() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 20.0, 60_000);
    let size = Winsize {
        ws_row: 24,
        ws_col: COLUMNS,
        ws_xpixel: 0,
        ws_ypixel: 0,
    };
    let terminal = openpty(Some(&size), None).unwrap();
    let mut capture = bench
        .command(&["capture", "setup.toml", "--out", "run"])
        .env("TERM", "xterm")
        .stdout(Stdio::null())
        .stderr(terminal.slave)
        .spawn()
        .unwrap();
    let drawn = Arc::new(Mutex::new(Vec::new()));
    let shared = Arc::clone(&drawn);
    let mut screen = File::from(terminal.master);
    let reader = thread::spawn(move || {
        let mut bytes = [0; 4096];
        // Ends with the program, whose end of the terminal is closed then.
        while let Ok(length) = screen.read(&mut bytes) {
            shared.lock().unwrap().extend(&bytes[..length]);
        }
    });
    let seen = || String::from_utf8_lossy(&drawn.lock().unwrap()).into_owned();
    let until = Instant::now() + SOON;
    let is_point = |line: &String| {
        line.get(8..)
            .is_some_and(|rest| rest.starts_with("  point 1 "))
    };
    while !lines(&seen()).iter().any(is_point) {
        assert!(Instant::now() < until, "{}", seen());
        thread::sleep(Duration::from_millis(20));
    }
    kill(Pid::from_raw(capture.id().cast_signed()), Signal::SIGTERM).unwrap();
    assert_eq!(capture.wait().unwrap().code(), Some(0), "{}", seen());
    reader.join().unwrap();
    drop(device);

    let text = seen();
    let lines = lines(&text);
    // While tuning: what to do, then what is read.
    let tuning: Vec<&String> = lines
        .iter()
        .filter(|line| line.contains(" Hz | "))
        .collect();
    assert!(tuning.len() > 3, "{text}");
    assert!(
        tuning
            .iter()
            .any(|line| line.contains(" | 12.3") && line.contains(" mm/s | ")),
        "{text}"
    );
    // Each whole on its line: it begins with what to do, and ends with how far the plan is.
    for line in &tuning {
        let is_whole = line.starts_with(|letter: char| letter.is_ascii_lowercase())
            && line.trim_end().ends_with(" done");
        assert!(is_whole, "{line:?}");
    }
    let points: Vec<&String> = lines.iter().filter(|line| is_point(line)).collect();
    assert_eq!(points.len(), 1, "{points:?}");
    // Cut where the terminal ends.
    assert!(points[0].ends_with("… "), "{points:?}");
    let [hours, minutes, seconds] =
        [0..2, 3..5, 6..8].map(|place| points[0][place].parse::<u8>().unwrap());
    assert!(hours < 24 && minutes < 60 && seconds < 60, "{points:?}");
    // The machine's log is not on it, and nothing of the line is left at the end.
    assert!(!text.contains("Point 1 is on disk"), "{text}");
    let last = text.rfind(" Hz | ").unwrap();
    assert!(text[last..].contains("\u{1b}[2K"), "{:?}", &text[last..]);
}

#[test]
fn a_pipe_has_the_log_and_nothing_drawn() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 20.0, 60_000);
    let capture = bench
        .command(&["capture", "setup.toml", "--out", "run"])
        .env("TERM", "xterm")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let until = Instant::now() + SOON;
    let logged = bench.path("run/points.jsonl");
    while std::fs::metadata(&logged).map_or(0, |file| file.len()) == 0 {
        assert!(Instant::now() < until);
        thread::sleep(Duration::from_millis(20));
    }
    // Time to say so.
    thread::sleep(Duration::from_millis(500));
    kill(Pid::from_raw(capture.id().cast_signed()), Signal::SIGTERM).unwrap();
    let output = capture.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    drop(device);
    let log = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(log.contains("Point 1 is on disk"), "{log}");
    for drawn in ["\u{1b}", "\r", " Hz | "] {
        assert!(!log.contains(drawn), "{drawn:?}: {log}");
    }
}
