//! The live page and its server, without a browser: what it lets in, what it refuses, who
//! waits for whom; and the page of a capture that runs.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use serde_json::Value;
use spanhold::live::{Access, Bulletin, PageServer, ServerLimits};

use crate::bench::captured::setup;
use crate::bench::line::{Device, Line, scatter};
use crate::bench::run_folder::{RunFolder, repository};

const SOON: Duration = Duration::from_secs(30);

struct Shown {
    bulletin: Arc<Bulletin>,
    address: SocketAddr,
    _server: PageServer,
}

impl Shown {
    /// On a free port of this address, of no run.
    fn on(ip: &str, limits: ServerLimits) -> Self {
        Self::of(ip, limits, "/nowhere".into())
    }

    /// Of a run folder.
    fn of(ip: &str, limits: ServerLimits, run: std::path::PathBuf) -> Self {
        let listener = TcpListener::bind(format!("{ip}:0")).unwrap();
        let address = listener.local_addr().unwrap();
        let bulletin = Arc::new(Bulletin::default());
        let access = Access {
            address,
            token: "0123456789abcdef".into(),
        };
        let server =
            PageServer::start(listener, access, Arc::clone(&bulletin), run, limits).unwrap();
        bulletin.publish(b"{\"now\":\"hold\"}".to_vec(), b"[]".to_vec());
        let address = SocketAddr::new([127, 0, 0, 1].into(), address.port());
        Self {
            bulletin,
            address,
            _server: server,
        }
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(SOON)).unwrap();
        stream
    }

    /// Asks on a connection of its own; the whole answer.
    fn ask(&self, line: &str, more: &str) -> Answer {
        let mut stream = self.connect();
        let host = self.address;
        let request = format!("{line} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\r\n");
        stream.write_all(request.as_bytes()).unwrap();
        Answer::read(stream)
    }
}

/// Limits that a test need not wait for.
fn impatient() -> ServerLimits {
    ServerLimits {
        connections: 4,
        head: Duration::from_millis(300),
        idle: Duration::from_millis(600),
        answer: Duration::from_millis(400),
    }
}

#[derive(Debug)]
struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn read(mut stream: TcpStream) -> Self {
        let mut bytes = Vec::new();
        // What is cut off may be cut off hard.
        let _ = stream.read_to_end(&mut bytes);
        let split = bytes.windows(4).position(|four| four == b"\r\n\r\n");
        let (head, body) = bytes.split_at(split.map_or(bytes.len(), |at| at + 4));
        let head = String::from_utf8_lossy(head).into_owned();
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok());
        Self {
            status: status.unwrap_or(0),
            head,
            body: body.to_vec(),
        }
    }

    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }
}

#[test]
fn the_page_is_whole_and_may_load_nothing_from_elsewhere() {
    let shown = Shown::on("127.0.0.1", ServerLimits::default());
    let page = shown.ask("GET /", "");
    assert_eq!(page.status, 200);
    let policy = page.header("content-security-policy").unwrap();
    assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self'"));
    for loose in ["unsafe", "http:", "https:", "*", "data:"] {
        assert!(!policy.contains(loose), "{policy}");
    }
    assert_eq!(page.header("x-content-type-options"), Some("nosniff"));
    assert_eq!(page.header("cache-control"), Some("no-store"));
    let text = String::from_utf8(page.body).unwrap();
    for outside in [
        "http://",
        "https://",
        " style=",
        " onclick=",
        "<style",
        "javascript:",
    ] {
        assert!(!text.contains(outside), "{outside}");
    }
    for (file, kind) in [("/page.js", "text/javascript"), ("/page.css", "text/css")] {
        assert!(text.contains(&format!("\"{}\"", &file[1..])), "{file}");
        let answer = shown.ask(&format!("GET {file}"), "");
        assert_eq!(answer.status, 200);
        assert!(answer.header("content-type").unwrap().starts_with(kind));
        let text = String::from_utf8(answer.body).unwrap();
        for dangerous in ["innerHTML", "eval(", "document.write", "url(", "@import"] {
            assert!(!text.contains(dangerous), "{file}: {dangerous}");
        }
    }
    assert_eq!(shown.ask("GET /nothing", "").status, 404);
    assert_eq!(shown.ask("GET /../run.json", "").status, 404);
}

#[test]
fn what_has_not_changed_is_not_sent_again() {
    let shown = Shown::on("127.0.0.1", ServerLimits::default());
    let first = shown.ask("GET /state", "");
    assert_eq!(
        (first.status, first.body.as_slice()),
        (200, &b"{\"now\":\"hold\"}"[..])
    );
    let tag = first.header("etag").unwrap().to_owned();
    let again = shown.ask("GET /state", &format!("If-None-Match: {tag}\r\n"));
    assert_eq!((again.status, again.body.len()), (304, 0));
    let head = shown.ask("HEAD /state", "");
    assert_eq!(
        (head.status, head.body.len(), head.header("content-length")),
        (200, 0, Some("14"))
    );
    shown.bulletin.publish(b"{}".to_vec(), b"[1]".to_vec());
    let next = shown.ask("GET /state", &format!("If-None-Match: {tag}\r\n"));
    assert_eq!((next.status, next.body.as_slice()), (200, &b"{}"[..]));
    assert_eq!(shown.ask("GET /signals", "").body, b"[1]");
    // Several requests on one connection, sent at once.
    let mut stream = shown.connect();
    let one = format!("GET /state HTTP/1.1\r\nHost: {}\r\n\r\n", shown.address);
    let last = format!(
        "GET /signals HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
        shown.address
    );
    stream
        .write_all((one.repeat(3) + &last).as_bytes())
        .unwrap();
    let mut all = String::new();
    stream.read_to_string(&mut all).unwrap();
    assert_eq!(all.matches("HTTP/1.1 200 OK").count(), 4, "{all}");
}

#[test]
fn strangers_are_kept_out() {
    let shown = Shown::on("127.0.0.1", ServerLimits::default());
    let asked_as = |host: &str, more: &str| {
        let mut stream = shown.connect();
        let request =
            format!("GET /state HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\r\n");
        stream.write_all(request.as_bytes()).unwrap();
        Answer::read(stream).status
    };
    let port = shown.address.port();
    assert_eq!(asked_as(&format!("localhost:{port}"), ""), 200);
    // A name that somebody turned to this computer.
    assert_eq!(asked_as(&format!("evil.example:{port}"), ""), 400);
    let own = format!("127.0.0.1:{port}");
    assert_eq!(asked_as(&own, &format!("Origin: http://{own}\r\n")), 200);
    assert_eq!(asked_as(&own, "Origin: http://evil.example\r\n"), 403);
    assert_eq!(asked_as(&own, "Sec-Fetch-Site: cross-site\r\n"), 403);
    for method in ["POST", "PUT", "DELETE", "OPTIONS", "BREW"] {
        assert_eq!(
            shown.ask(&format!("{method} /state"), "").status,
            405,
            "{method}"
        );
    }
    assert_eq!(
        shown.ask("POST /state", "Content-Length: 3\r\n").status,
        413
    );

    // On every address of the computer nobody reads without the token.
    let shared = Shown::on("0.0.0.0", ServerLimits::default());
    assert_eq!(
        shared.ask("GET /", "").status,
        200,
        "the page holds no value"
    );
    let refused = shared.ask("GET /state", "");
    assert_eq!(refused.status, 401);
    assert!(!String::from_utf8_lossy(&refused.body).contains("hold\""));
    assert_eq!(
        shared
            .ask("GET /signals", "Authorization: Bearer wrong\r\n")
            .status,
        401
    );
    assert_eq!(
        shared.ask("GET /state?token=0123456789abcdef", "").status,
        401
    );
    let token = "Authorization: Bearer 0123456789abcdef\r\n";
    assert_eq!(shared.ask("GET /state", token).status, 200);
}

/// Whoever may read reads notes; who writes needs the token, on this computer too, and
/// comes from no other page. What arrives is in the ledger.
#[test]
fn notes_are_written_over_the_page_with_the_token_alone() {
    let bench = RunFolder::empty();
    let file = |name: &str| repository(name).display().to_string();
    let (setup, recording) = (
        file("config/bare-trial.toml"),
        file("recordings/bare-trial.wav"),
    );
    let made = bench.spanhold(&["reprocess", &setup, &recording, "--out", "run"]);
    assert_eq!(made.status.code(), Some(0));
    let folder = bench.path("run");
    let shown = Shown::of("127.0.0.1", ServerLimits::default(), folder.clone());
    let token = "Authorization: Bearer 0123456789abcdef\r\n";
    let json = "Content-Type: application/json\r\n";
    let note = |text: &str, kind: &str| {
        format!("{{\"point\":2,\"by\":\"A. Name\",\"text\":\"{text}\",\"kind\":\"{kind}\"}}")
    };
    let post = |head: &str, body: &str| {
        let mut stream = shown.connect();
        let (host, length) = (shown.address, body.len());
        let request = format!(
            "POST /notes HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{head}\
             Content-Length: {length}\r\n\r\n{body}"
        );
        stream.write_all(request.as_bytes()).unwrap();
        Answer::read(stream)
    };
    let body = note("it rained", "note");
    for (head, wanted) in [
        (json.to_owned(), 401),
        (format!("{json}Authorization: Bearer wrong\r\n"), 401),
        (token.to_owned(), 415),
        (format!("{token}Content-Type: text/plain\r\n"), 415),
        (format!("{token}{json}Origin: http://evil.example\r\n"), 403),
        (format!("{token}{json}Sec-Fetch-Site: cross-site\r\n"), 403),
    ] {
        assert_eq!(post(&head, &body).status, wanted, "{head}");
    }
    let head = format!("{token}{json}");
    for wrong in [
        "",
        "{}",
        "[1]",
        "{\"point\":2,\"by\":\"\",\"text\":\"x\",\"kind\":\"note\"}",
        "{\"point\":99,\"by\":\"A\",\"text\":\"x\",\"kind\":\"note\"}",
        "{\"point\":2,\"by\":\"A\",\"text\":\"x\",\"kind\":\"delete\"}",
        "{\"point\":2,\"by\":\"A\",\"text\":\"x\",\"kind\":\"note\",\"more\":1}",
        "{\"point\":2,\"by\":\"A\",\"text\":\"a\\nb\",\"kind\":\"note\"}",
    ] {
        let answer = post(&head, wrong);
        assert_eq!(answer.status, 422, "{wrong}");
        assert!(!answer.body.is_empty());
    }
    // What it has not read may cut the answer off.
    let long = post(&head, &"x".repeat(20_000)).status;
    assert!(matches!(long, 413 | 0), "{long}");
    assert!(!folder.join("notes.jsonl").exists(), "nothing was written");

    let answer = post(&head, &body);
    assert_eq!(
        answer.status,
        200,
        "{}",
        String::from_utf8_lossy(&answer.body)
    );
    assert_eq!(post(&head, &note("leant on", "exclude")).status, 200);
    assert_eq!(
        post(&head, &note("leant on", "exclude")).status,
        422,
        "twice"
    );
    let read = shown.ask("GET /notes", "");
    assert_eq!(read.status, 200);
    let read_json: Value = serde_json::from_slice(&read.body).unwrap();
    assert_eq!(read_json["notes"][0]["text"], "it rained");
    assert_eq!(read_json["notes"][1]["kind"], "exclude");
    let tag = format!("If-None-Match: {}\r\n", read.header("etag").unwrap());
    assert_eq!(shown.ask("GET /notes", &tag).status, 304);
    let run = spanhold::ledger::Run::open(&folder).unwrap();
    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
    assert_eq!(run.exclusions()[0].point, 2);
}

#[test]
fn who_is_slow_or_talks_garbage_is_cut_off_and_no_other_notices() {
    let shown = Shown::on("127.0.0.1", impatient());
    // Byte by byte, and never an end.
    let mut slow = shown.connect();
    let began = Instant::now();
    let mut status = None;
    for byte in b"GET /state HTTP/1.1\r\nX-Slow: ".iter().cycle() {
        if slow.write_all(&[*byte]).is_err() || began.elapsed() > Duration::from_millis(500) {
            break;
        }
        thread::sleep(Duration::from_millis(30));
    }
    status.get_or_insert(Answer::read(slow).status);
    // Answered with 408, or cut off before that was read.
    assert!(matches!(status, Some(408 | 0)), "{status:?}");
    let held_s = began.elapsed().as_secs_f64();
    assert!(held_s < 2.0, "{held_s} s");
    // Nothing at all.
    let mut silent = shown.connect();
    let mut rest = Vec::new();
    let began = Instant::now();
    silent.read_to_end(&mut rest).unwrap();
    assert!(rest.is_empty() && began.elapsed() < Duration::from_secs(2));
    for (bytes, wanted) in [
        (vec![0x16, 0x03, 0x01, 0x02, 0x00], 400),
        (b"GET\r\n\r\n".to_vec(), 400),
        (vec![b'A'; 20_000], 431),
        (
            format!(
                "GET / HTTP/1.1\r\nHost: x\r\nX: {}\r\n\r\n",
                "y".repeat(9000)
            )
            .into_bytes(),
            431,
        ),
    ] {
        let mut stream = shown.connect();
        let _ = stream.write_all(&bytes);
        let status = Answer::read(stream).status;
        // What it has not read may cut the answer off.
        assert!(
            status == wanted || (status == 0 && bytes.len() > 8000),
            "{status} {wanted}"
        );
    }
    for seed in 0..200_u64 {
        let length = (seed * 37 % 900) as usize;
        let bytes: Vec<u8> = (0..length)
            .map(|at| (128.0 + 127.0 * scatter(seed * 1000 + at as u64)) as u8)
            .collect();
        let mut stream = shown.connect();
        let _ = stream.write_all(&bytes);
        drop(stream);
    }
    let until = Instant::now() + SOON;
    while shown.ask("GET /state", "").status != 200 {
        assert!(Instant::now() < until, "it serves no more");
        thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_viewer_that_does_not_read_delays_nobody() {
    let shown = Shown::on("127.0.0.1", impatient());
    // More than any socket holds.
    let large = vec![b' '; 32 << 20];
    shown.bulletin.publish(large, Vec::new());
    let mut deaf: Vec<TcpStream> = (0..2).map(|_| shown.connect()).collect();
    for stream in &mut deaf {
        let request = format!("GET /state HTTP/1.1\r\nHost: {}\r\n\r\n", shown.address);
        stream.write_all(request.as_bytes()).unwrap();
    }
    thread::sleep(Duration::from_millis(50));
    let mut slowest = Duration::ZERO;
    for number in 0..50 {
        let began = Instant::now();
        shown
            .bulletin
            .publish(format!("{number}").into_bytes(), Vec::new());
        slowest = slowest.max(began.elapsed());
        let mut answer = shown.ask("GET /state", "");
        // The seat of the viewer before is free a moment after it has read its last byte.
        let until = Instant::now() + SOON;
        while answer.status == 503 && Instant::now() < until {
            answer = shown.ask("GET /state", "");
        }
        assert_eq!(answer.body, format!("{number}").into_bytes());
    }
    assert!(
        slowest < Duration::from_millis(50),
        "{slowest:?} to publish"
    );
    // Their time runs out, and their seats are free again.
    thread::sleep(Duration::from_millis(600));
    let held: Vec<TcpStream> = (0..4).map(|_| shown.connect()).collect();
    let until = Instant::now() + SOON;
    // Four are there and one more is turned away, at once.
    let mut turned_away = shown.ask("GET /state", "");
    while turned_away.status != 503 {
        assert!(Instant::now() < until, "{turned_away:?}");
        turned_away = shown.ask("GET /state", "");
    }
    drop(held);
    while shown.ask("GET /state", "").status != 200 {
        assert!(Instant::now() < until, "the seats stay taken");
        thread::sleep(Duration::from_millis(20));
    }
}

/// Asks the page of a capture.
fn state_at(url: &str) -> Option<Value> {
    let address = url.strip_prefix("http://")?.split('/').next()?;
    let mut stream = TcpStream::connect(address).ok()?;
    stream.set_read_timeout(Some(SOON)).ok()?;
    let request = format!("GET /state HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).ok()?;
    serde_json::from_slice(&Answer::read(stream).body).ok()
}

fn wait_for_state(url: &str, is: impl Fn(&Value) -> bool) -> Value {
    let until = Instant::now() + SOON;
    let mut latest = None;
    while Instant::now() < until {
        let state = state_at(url);
        if state.as_ref().is_some_and(&is) {
            return state.unwrap();
        }
        latest = state.or(latest);
        thread::sleep(Duration::from_millis(50));
    }
    panic!("it never came: {latest:#?}");
}

#[test]
fn a_capture_shows_itself_and_a_lost_device_within_two_seconds() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("http://127.0.0.1:", SOON);
    let log = capture.log();
    let url = log.lines().next().unwrap().to_owned();
    assert!(
        url.starts_with("http://127.0.0.1:") && url.ends_with('/'),
        "{log}"
    );
    let state = wait_for_state(&url, |state| state["reading"]["frequency_hz"].is_number());
    assert_eq!(state["run"]["capturing"], true);
    assert_eq!(state["devices"][0]["sends"], true, "{state:#}");
    let hz = state["reading"]["frequency_hz"].as_f64().unwrap();
    assert!((hz - 12.3).abs() < 0.02, "{state:#}");
    // At least four times a second it is another one.
    let began = Instant::now();
    let mut seen: Vec<String> = Vec::new();
    while began.elapsed() < Duration::from_secs(3) {
        let at = state_at(&url).unwrap()["run"]["utc"].to_string();
        if seen.last() != Some(&at) {
            seen.push(at);
        }
        thread::sleep(Duration::from_millis(20));
    }
    assert!(seen.len() >= 12, "{} in three seconds", seen.len());

    // Another terminal sees the same.
    let status = bench.spanhold(&["status", "run"]);
    let text = String::from_utf8_lossy(&status.stdout).into_owned();
    assert_eq!(status.status.code(), Some(0), "{text}");
    assert!(
        text.contains("frequency  12.3") && text.contains("\"bench\" sends"),
        "{text}"
    );

    drop(device);
    let lost = Instant::now();
    let state = wait_for_state(&url, |state| state["advice"]["kind"] == "no-samples");
    let late_s = lost.elapsed().as_secs_f64();
    assert!(late_s < 2.0, "{late_s} s");
    assert!(
        state["now"]
            .as_str()
            .unwrap()
            .contains("no samples from \"bench\""),
        "{state:#}"
    );
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));

    // After the end the files tell, and the address is kept for the next session.
    let status = bench.spanhold(&["status", "run", "--json"]);
    let state: Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(state["advice"]["kind"], "ended", "{state:#}");
    assert_eq!(state["run"]["capturing"], false);
    let device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("http://127.0.0.1:", SOON);
    assert_eq!(capture.log().lines().next(), Some(url.as_str()));
    let state = wait_for_state(&url, |state| state["run"]["session"] == 2);
    assert_eq!(state["run"]["folder"], "run");
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
    drop(device);
}

/// An exclusion opens its harmonic again at once; and what was answered with 200 is in the
/// ledger, though the capture is killed in the same moment.
#[test]
fn a_note_over_the_page_is_kept_though_the_capture_is_killed_behind_it() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    // Three dwells, none of them twice.
    let device = Device::start(&line, 20.0, 60_000);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("http://127.0.0.1:", SOON);
    let url = capture.log().lines().next().unwrap().to_owned();
    let numbered = |state: &Value| {
        let points = state["points"].as_array().unwrap();
        let found = points.iter().find(|point| point["harmonic"].is_number())?;
        Some((found["point"].as_u64()?, found["harmonic"].as_u64()?))
    };
    let mark = |state: &Value, harmonic: u64| {
        let marks = state["harmonics"].as_array().unwrap();
        marks
            .iter()
            .find(|mark| mark["harmonic"] == harmonic)
            .unwrap()
            .clone()
    };
    let state = wait_for_state(&url, |state| numbered(state).is_some());
    let (point, harmonic) = numbered(&state).unwrap();
    assert_ne!(mark(&state, harmonic)["state"], "open", "{state:#}");

    let kept: Value = serde_json::from_str(&bench.read("run", "page.json")).unwrap();
    let token = kept["token"].as_str().unwrap();
    let address = url.trim_start_matches("http://").trim_end_matches('/');
    let post = |text: &str, kind: &str| {
        let body = format!(
            "{{\"point\":{point},\"by\":\"A. Name\",\"text\":\"{text}\",\"kind\":\"{kind}\"}}"
        );
        let mut stream = TcpStream::connect(address).unwrap();
        let request = format!(
            "POST /notes HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        stream.write_all(request.as_bytes()).unwrap();
        // The head is enough: who has it kills at once.
        let mut head = [0; 12];
        stream.read_exact(&mut head).unwrap();
        String::from_utf8_lossy(&head).into_owned()
    };
    assert_eq!(post("leant on the span", "exclude"), "HTTP/1.1 200");
    let state = wait_for_state(&url, |state| mark(state, harmonic)["state"] == "open");
    let reasons = &mark(&state, harmonic)["reasons"];
    let reason = format!("point {point} excluded by A. Name: leant on the span");
    assert_eq!(*reasons, serde_json::json!([reason]));

    let answered = post("it rained", "note");
    capture.signal(Signal::SIGKILL);
    assert_eq!(answered, "HTTP/1.1 200");
    assert_eq!(capture.end(SOON).0, None);
    drop(device);
    let run = spanhold::ledger::Run::open(&bench.path("run")).unwrap();
    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
    let texts: Vec<&str> = run.point_notes.iter().map(|note| &*note.text).collect();
    assert_eq!(texts, ["leant on the span", "it rained"]);
    // Read from the files it is open, too.
    let status = bench.spanhold(&["status", "run", "--json"]);
    let state: Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(mark(&state, harmonic)["state"], "open", "{state:#}");
}

#[test]
fn a_page_for_others_has_a_token_and_no_page_is_none() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("shared", &["--page", "0.0.0.0:0"]);
    capture.wait_for("#token=", SOON);
    let url = capture.log().lines().next().unwrap().to_owned();
    let token = url.split_once("#token=").unwrap().1.to_owned();
    assert_eq!(token.len(), 32, "{url}");
    let until = Instant::now() + SOON;
    while !bench.path("shared/page.json").exists() && Instant::now() < until {
        thread::sleep(Duration::from_millis(20));
    }
    let kept = bench.read("shared", "page.json");
    assert!(kept.contains(&token), "{kept}");
    let mode = std::fs::metadata(bench.path("shared/page.json"))
        .unwrap()
        .permissions()
        .mode();
    assert_eq!(mode & 0o077, 0, "{mode:o}");
    let shown = || {
        let status = bench.spanhold(&["status", "shared"]);
        String::from_utf8_lossy(&status.stdout).into_owned()
    };
    while !shown().contains("\"bench\" sends") {
        assert!(Instant::now() < until, "{}", shown());
    }
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));

    let mut capture = bench.capture("alone", &["--no-page"]);
    capture.wait_for("\"Session 1 begins.\"", SOON);
    let log = capture.log();
    assert!(!log.contains("http://"), "{log}");
    assert!(!bench.path("alone/page.json").exists());
    let status = bench.spanhold(&["status", "alone"]);
    let text = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(text.contains("no live page"), "{text}");
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
    drop(device);

    // An address that is not there is said before anything is begun.
    let refused = bench.spanhold(&[
        "capture",
        "setup.toml",
        "--out",
        "never",
        "--page",
        "192.0.2.1:1",
    ]);
    let text = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(2), "{text}");
    assert!(
        text.contains("--no-page") && !bench.path("never").exists(),
        "{text}"
    );
}
