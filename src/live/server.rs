//! The server: one thread that accepts, one a connection, as many as are allowed.
//!
//! Every step has a time: the head of a request, an answer, the rest between two requests.
//! Whoever is slower is cut off, and nobody else notices.

use std::io::{self, Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use super::access::Access;
use super::bulletin::Bulletin;
use super::notes;
use super::request::{LARGEST_HEAD, NOTES, Request, Unanswered, read_head};

const PAGE: &str = include_str!("page/page.html");
const SCRIPT: &str = include_str!("page/page.js");
const STYLE: &str = include_str!("page/page.css");
const ICON: &str = include_str!("page/icon.svg");

/// What a browser may do with what comes from here: nothing but what is served beside it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
                      connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";

/// How long and how many.
#[derive(Debug, Clone, Copy)]
pub struct ServerLimits {
    /// Connections at once.
    pub connections: usize,
    /// From the first byte of a request to the end of its head.
    pub head: Duration,
    /// Without a request.
    pub idle: Duration,
    /// For one answer.
    pub answer: Duration,
}

impl Default for ServerLimits {
    fn default() -> Self {
        Self {
            connections: 32,
            head: Duration::from_secs(5),
            idle: Duration::from_secs(15),
            answer: Duration::from_secs(5),
        }
    }
}

/// A page that is shown until this is dropped.
#[derive(Debug)]
pub struct PageServer {
    address: SocketAddr,
    stop: Arc<AtomicBool>,
    accepting: Option<JoinHandle<()>>,
}

/// What the threads of a server share.
#[derive(Debug)]
struct Shared {
    access: Access,
    limits: ServerLimits,
    bulletin: Arc<Bulletin>,
    /// The run folder, whose notes are read and written.
    run: PathBuf,
    stop: Arc<AtomicBool>,
    connections: AtomicUsize,
    /// Names the publications of this process among those of others.
    begun: String,
}

impl PageServer {
    /// Shows what hangs at `bulletin` and the notes of the run folder `run` to whom
    /// `access` lets in.
    ///
    /// # Errors
    /// Where no thread can be started.
    pub fn start(
        listener: TcpListener,
        access: Access,
        bulletin: Arc<Bulletin>,
        run: PathBuf,
        limits: ServerLimits,
    ) -> io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let address = access.address;
        let begun = access.token.get(..8).unwrap_or_default();
        let shared = Arc::new(Shared {
            begun: format!("{begun}-{}", std::process::id()),
            access,
            limits,
            bulletin,
            run,
            stop: Arc::clone(&stop),
            connections: AtomicUsize::new(0),
        });
        let accepting = thread::Builder::new()
            .name("page".into())
            .spawn(move || shared.accept(&listener))?;
        Ok(Self {
            address,
            stop,
            accepting: Some(accepting),
        })
    }
}

impl Drop for PageServer {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // Wakes the thread that accepts.
        let port = self.address.port();
        let ip = match self.address.ip() {
            ip if ip.is_unspecified() && ip.is_ipv6() => std::net::Ipv6Addr::LOCALHOST.into(),
            ip if ip.is_unspecified() => std::net::Ipv4Addr::LOCALHOST.into(),
            ip => ip,
        };
        let woken = TcpStream::connect_timeout(&SocketAddr::new(ip, port), Duration::from_secs(1));
        if let (Ok(_), Some(accepting)) = (woken, self.accepting.take()) {
            let _ = accepting.join();
        }
    }
}

impl Shared {
    fn accept(self: &Arc<Self>, listener: &TcpListener) {
        loop {
            let accepted = listener.accept();
            if self.stop.load(Ordering::Relaxed) {
                return;
            }
            let Ok((stream, _)) = accepted else {
                // Out of descriptors, or the like: it passes, or not.
                thread::sleep(Duration::from_millis(50));
                continue;
            };
            if self.connections.fetch_add(1, Ordering::Relaxed) >= self.limits.connections {
                self.connections.fetch_sub(1, Ordering::Relaxed);
                turn_away(stream);
                continue;
            }
            let shared = Arc::clone(self);
            let started = thread::Builder::new()
                .name("page viewer".into())
                .spawn(move || {
                    let _seat = Seat(&shared.connections);
                    // A viewer that leaves is no fault of anybody.
                    let _ = shared.serve(stream);
                });
            if started.is_err() {
                self.connections.fetch_sub(1, Ordering::Relaxed);
            }
        }
    }

    fn serve(&self, mut stream: TcpStream) -> io::Result<()> {
        stream.set_nodelay(true)?;
        let mut bytes = Vec::new();
        while !self.stop.load(Ordering::Relaxed) {
            let request = match self.next_request(&mut stream, &mut bytes)? {
                None => return Ok(()),
                Some(Ok(request)) => request,
                Some(Err(refusal)) => return self.refuse(&mut stream, refusal, false),
            };
            bytes.drain(..request.length);
            let Some(body) = self.body(&mut stream, &mut bytes, request.body)? else {
                return self.refuse(&mut stream, Unanswered::Late, false);
            };
            let keeps_alive = self.answer(&mut stream, &request, &body)?;
            if !keeps_alive {
                return Ok(());
            }
        }
        Ok(())
    }

    /// The next request of a connection; `None`: there will be none.
    fn next_request(
        &self,
        stream: &mut TcpStream,
        bytes: &mut Vec<u8>,
    ) -> io::Result<Option<Result<Request, Unanswered>>> {
        let mut until = Instant::now()
            + if bytes.is_empty() {
                self.limits.idle
            } else {
                self.limits.head
            };
        loop {
            match read_head(bytes) {
                Ok(None) => {}
                Ok(Some(request)) => return Ok(Some(Ok(request))),
                Err(refusal) => return Ok(Some(Err(refusal))),
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok((!bytes.is_empty()).then_some(Err(Unanswered::Late)));
            }
            stream.set_read_timeout(Some(left))?;
            let mut some = [0; 2048];
            let room = (LARGEST_HEAD + 1)
                .saturating_sub(bytes.len())
                .clamp(1, some.len());
            match stream.read(some.get_mut(..room).unwrap_or_default()) {
                Ok(0) => return Ok(None),
                Ok(count) => {
                    if bytes.is_empty() {
                        until = Instant::now() + self.limits.head;
                    }
                    bytes.extend_from_slice(some.get(..count).unwrap_or_default());
                }
                Err(error) if is_time_out(&error) => {}
                Err(error) => return Err(error),
            }
        }
    }

    /// The body of a request, of which `bytes` holds the beginning; `None`: it did not come
    /// in time.
    fn body(
        &self,
        stream: &mut TcpStream,
        bytes: &mut Vec<u8>,
        length: usize,
    ) -> io::Result<Option<Vec<u8>>> {
        let until = Instant::now() + self.limits.head;
        while bytes.len() < length {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            stream.set_read_timeout(Some(left))?;
            let mut some = [0; 2048];
            let room = (length - bytes.len()).min(some.len());
            match stream.read(some.get_mut(..room).unwrap_or_default()) {
                Ok(0) => return Ok(None),
                Ok(count) => bytes.extend_from_slice(some.get(..count).unwrap_or_default()),
                Err(error) if is_time_out(&error) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(Some(bytes.drain(..length).collect()))
    }

    /// Answers a request; back comes whether the connection stays.
    fn answer(&self, stream: &mut TcpStream, request: &Request, body: &[u8]) -> io::Result<bool> {
        let document = match request.path.as_str() {
            "/" => Some((PAGE, "text/html; charset=utf-8")),
            "/page.js" => Some((SCRIPT, "text/javascript; charset=utf-8")),
            "/page.css" => Some((STYLE, "text/css; charset=utf-8")),
            "/icon.svg" => Some((ICON, "image/svg+xml")),
            _ => None,
        };
        if let Err(refusal) = self.access.check(request, document.is_some()) {
            self.refuse(stream, refusal, request.keeps_alive)?;
            return Ok(request.keeps_alive);
        }
        let answer = Answer {
            request,
            deadline: Instant::now() + self.limits.answer,
        };
        if let Some((text, kind)) = document {
            answer.send(stream, (200, "OK"), kind, None, text.as_bytes())?;
            return Ok(request.keeps_alive);
        }
        if request.path == NOTES {
            self.answer_notes(stream, &answer, body)?;
            return Ok(request.keeps_alive);
        }
        let latest = self.bulletin.latest();
        let body = match request.path.as_str() {
            "/state" => &latest.state,
            "/signals" => &latest.signals,
            _ => {
                self.refuse(stream, Unanswered::Path, request.keeps_alive)?;
                return Ok(request.keeps_alive);
            }
        };
        let tag = format!("\"{}-{}\"", self.begun, latest.number);
        let kind = "application/json";
        if request.none_match.as_deref() == Some(&tag) {
            answer.send(stream, (304, "Not Modified"), kind, Some(&tag), &[])?;
        } else {
            answer.send(stream, (200, "OK"), kind, Some(&tag), body)?;
        }
        Ok(request.keeps_alive)
    }

    /// Notes, to read or to write.
    fn answer_notes(&self, stream: &mut TcpStream, answer: &Answer, body: &[u8]) -> io::Result<()> {
        let request = answer.request;
        let answered = if request.method == "POST" {
            notes::write(&self.run, body, jiff::Timestamp::now())
        } else {
            notes::read(&self.run)
        };
        match answered {
            Ok(json) => {
                let tag = format!("\"{}\"", blake3::hash(&json).to_hex());
                let (kind, tag_of) = ("application/json", Some(tag.as_str()));
                if request.method != "POST" && request.none_match.as_deref() == tag_of {
                    answer.send(stream, (304, "Not Modified"), kind, tag_of, &[])
                } else {
                    answer.send(stream, (200, "OK"), kind, tag_of, &json)
                }
            }
            Err((status, wrong)) => {
                let text = format!("{wrong}\n");
                answer.send(
                    stream,
                    status,
                    "text/plain; charset=utf-8",
                    None,
                    text.as_bytes(),
                )
            }
        }
    }

    fn refuse(
        &self,
        stream: &mut TcpStream,
        refusal: Unanswered,
        keeps_alive: bool,
    ) -> io::Result<()> {
        let request = Request {
            keeps_alive,
            ..Request::default()
        };
        let answer = Answer {
            request: &request,
            deadline: Instant::now() + self.limits.answer,
        };
        let text = format!("{}\n", refusal.sentence());
        answer.send(
            stream,
            refusal.status(),
            "text/plain; charset=utf-8",
            None,
            text.as_bytes(),
        )
    }
}

/// One answer under way.
struct Answer<'a> {
    request: &'a Request,
    deadline: Instant,
}

impl Answer<'_> {
    fn send(
        &self,
        stream: &mut TcpStream,
        (code, words): (u16, &str),
        kind: &str,
        tag: Option<&str>,
        body: &[u8],
    ) -> io::Result<()> {
        let connection = if self.request.keeps_alive {
            "keep-alive"
        } else {
            "close"
        };
        let tag = tag.map_or_else(String::new, |tag| format!("ETag: {tag}\r\n"));
        let length = if code == 304 {
            String::new()
        } else {
            format!("Content-Length: {}\r\n", body.len())
        };
        let allow = if code == 405 {
            "Allow: GET, HEAD\r\n"
        } else {
            ""
        };
        let challenge = if code == 401 {
            "WWW-Authenticate: Bearer\r\n"
        } else {
            ""
        };
        let mut bytes = format!(
            "HTTP/1.1 {code} {words}\r\nContent-Type: {kind}\r\n{length}{tag}{allow}{challenge}\
             Connection: {connection}\r\nCache-Control: no-store\r\n\
             Content-Security-Policy: {POLICY}\r\nX-Content-Type-Options: nosniff\r\n\
             Referrer-Policy: no-referrer\r\nCross-Origin-Resource-Policy: same-origin\r\n\
             Cross-Origin-Opener-Policy: same-origin\r\n\r\n"
        )
        .into_bytes();
        if self.request.method != "HEAD" {
            bytes.extend_from_slice(body);
        }
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let left = self.deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Err(io::ErrorKind::TimedOut.into());
            }
            stream.set_write_timeout(Some(left))?;
            match stream.write(rest) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => rest = rest.get(count..).unwrap_or_default(),
                Err(error) if is_time_out(&error) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

/// Gives the place of a connection back, however its thread ends.
struct Seat<'a>(&'a AtomicUsize);

impl Drop for Seat<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Says that there is no room, without waiting for anybody.
fn turn_away(mut stream: TcpStream) {
    let (code, words) = Unanswered::Full.status();
    let text = Unanswered::Full.sentence();
    let answer = format!(
        "HTTP/1.1 {code} {words}\r\nContent-Type: text/plain; charset=utf-8\r\n\
         Content-Length: {}\r\nRetry-After: 2\r\nConnection: close\r\n\r\n{text}",
        text.len()
    );
    if stream.set_nonblocking(true).is_ok() {
        let _ = stream.write(answer.as_bytes());
    }
}

fn is_time_out(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted
    )
}
