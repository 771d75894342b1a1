//! The head of a request: bytes from outside → what is asked for. Pure.

/// Largest head, bytes.
pub const LARGEST_HEAD: usize = 8 * 1024;
/// Longest body, bytes: a note has a name and one line.
pub const LARGEST_BODY: usize = 16 * 1024;
/// Most header lines.
const MOST_HEADERS: usize = 64;

/// Where notes are read and written.
pub(super) const NOTES: &str = "/notes";

/// What is asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Request {
    /// The method as it was sent.
    pub method: String,
    /// The path without a query.
    pub path: String,
    /// `Host`.
    pub host: String,
    /// `Origin`, where one is sent.
    pub origin: Option<String>,
    /// `Sec-Fetch-Site`, which a browser sends of itself.
    pub fetch_site: Option<String>,
    /// The token of `Authorization: Bearer`.
    pub token: Option<String>,
    /// `If-None-Match`.
    pub none_match: Option<String>,
    /// Whether the connection stays.
    pub keeps_alive: bool,
    /// Bytes of the head.
    pub length: usize,
    /// Bytes of the body behind it.
    pub body: usize,
    /// `Content-Type` without its parameters.
    pub content_type: Option<String>,
}

/// Why a request is not answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unanswered {
    /// It is no HTTP/1 request.
    Garbage,
    /// Its head is too long.
    TooLong,
    /// It brings a body where none is taken, or too long a one.
    Body,
    /// Its body is not of a kind that is taken.
    Kind,
    /// It has no `Host`, or several.
    Host,
    /// It did not come in time.
    Late,
    /// It comes from a page of somebody else.
    Origin,
    /// It lacks the token, or has a wrong one.
    Token,
    /// Nothing but notes is written.
    Method,
    /// There is no such thing.
    Path,
    /// Too many connections.
    Full,
}

impl Unanswered {
    /// Status code and its words.
    pub fn status(self) -> (u16, &'static str) {
        match self {
            Self::Garbage | Self::Host => (400, "Bad Request"),
            Self::TooLong => (431, "Request Header Fields Too Large"),
            Self::Body => (413, "Content Too Large"),
            Self::Kind => (415, "Unsupported Media Type"),
            Self::Late => (408, "Request Timeout"),
            Self::Origin => (403, "Forbidden"),
            Self::Token => (401, "Unauthorized"),
            Self::Method => (405, "Method Not Allowed"),
            Self::Path => (404, "Not Found"),
            Self::Full => (503, "Service Unavailable"),
        }
    }

    /// What is wrong, and what would be right.
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Garbage => "This is no HTTP/1 request.",
            Self::Host => {
                "The Host of the request is not this server's: ask by its IP address or by localhost."
            }
            Self::TooLong => "The head of the request is too long: 8 KiB and 64 lines are taken.",
            Self::Body => {
                "The request brings a body: only a POST of /notes has one, with its length, of 16 KiB at most."
            }
            Self::Kind => "The body of the request is no application/json.",
            Self::Late => "The request did not come in time.",
            Self::Origin => "The request comes from a page of another origin.",
            Self::Token => {
                "The token is missing or wrong: open the page by the whole address that capture printed."
            }
            Self::Method => "Only GET and HEAD are answered, and POST of /notes.",
            Self::Path => "There is no such page: /, /state, /signals and /notes are there.",
            Self::Full => "Too many viewers: close some pages, or try again.",
        }
    }
}

/// Reads the head of a request; `None`: it is not whole yet.
///
/// # Errors
/// Why it will never be answered.
pub fn read_head(bytes: &[u8]) -> Result<Option<Request>, Unanswered> {
    let mut headers = [httparse::EMPTY_HEADER; MOST_HEADERS];
    let mut parsed = httparse::Request::new(&mut headers);
    let length = match parsed.parse(bytes) {
        Ok(httparse::Status::Complete(length)) if length <= LARGEST_HEAD => length,
        Ok(httparse::Status::Partial) if bytes.len() < LARGEST_HEAD => return Ok(None),
        Ok(_) | Err(httparse::Error::TooManyHeaders) => return Err(Unanswered::TooLong),
        Err(_) => return Err(Unanswered::Garbage),
    };
    let (Some(method), Some(target), Some(version)) = (parsed.method, parsed.path, parsed.version)
    else {
        return Err(Unanswered::Garbage);
    };
    let lines = &*parsed.headers;
    let one = |name: &str| -> Result<Option<String>, Unanswered> {
        let mut named = lines
            .iter()
            .filter(|line| line.name.eq_ignore_ascii_case(name))
            .map(|line| std::str::from_utf8(line.value).map(str::trim));
        match (named.next(), named.next()) {
            (None, _) => Ok(None),
            (Some(Ok(value)), None) => Ok(Some(value.to_owned())),
            _ => Err(Unanswered::Garbage),
        }
    };
    let body = match one("Content-Length")? {
        None => 0,
        // Digits alone: parse() would take a sign.
        Some(length) if length.bytes().all(|byte| byte.is_ascii_digit()) => {
            length.parse().map_err(|_| Unanswered::Body)?
        }
        Some(_) => return Err(Unanswered::Garbage),
    };
    let path = target.split(['?', '#']).next().unwrap_or_default();
    let may_have_one = method == "POST" && path == NOTES && body <= LARGEST_BODY;
    if (body > 0 && !may_have_one) || one("Transfer-Encoding")?.is_some() {
        return Err(Unanswered::Body);
    }
    let content_type = one("Content-Type")?.map(|kind| {
        let kind = kind.split(';').next().unwrap_or_default();
        kind.trim().to_ascii_lowercase()
    });
    let host = one("Host").ok().flatten().ok_or(Unanswered::Host)?;
    let connection = one("Connection")?.unwrap_or_default().to_ascii_lowercase();
    let authorization = one("Authorization")?;
    let token = authorization.map(|value| {
        let bearer = value
            .split_once(' ')
            .filter(|(kind, _)| kind.eq_ignore_ascii_case("bearer"));
        bearer.map_or_else(String::new, |(_, token)| token.trim().to_owned())
    });
    Ok(Some(Request {
        method: method.to_owned(),
        path: path.to_owned(),
        host,
        origin: one("Origin")?,
        fetch_site: one("Sec-Fetch-Site")?,
        token,
        none_match: one("If-None-Match")?,
        keeps_alive: version == 1 && connection != "close",
        length,
        body,
        content_type,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_is_read_when_it_is_whole() {
        let head = b"GET /state?x=1 HTTP/1.1\r\nHost: 127.0.0.1:80\r\nAuthorization: Bearer abc\r\n\r\nnext";
        for cut in 0..head.len() - 4 {
            assert_eq!(read_head(&head[..cut]), Ok(None), "{cut}");
        }
        let request = read_head(head).unwrap().unwrap();
        assert_eq!(
            (request.path.as_str(), request.length),
            ("/state", head.len() - 4)
        );
        assert_eq!(request.token.as_deref(), Some("abc"));
        assert!(request.keeps_alive);
    }

    #[test]
    fn what_is_wrong_is_told_apart() {
        let read = |lines: &str| read_head(format!("{lines}\r\n\r\n").as_bytes()).map(drop);
        let host = "GET / HTTP/1.1\r\nHost: localhost";
        assert_eq!(read(host), Ok(()));
        assert_eq!(read("GET / HTTP/1.1\r\nX: y"), Err(Unanswered::Host));
        assert_eq!(
            read(&format!("{host}\r\nHost: other")),
            Err(Unanswered::Host)
        );
        assert_eq!(
            read(&format!("{host}\r\nContent-Length: 5")),
            Err(Unanswered::Body)
        );
        let post = "POST /notes HTTP/1.1\r\nHost: localhost";
        assert_eq!(read(&format!("{post}\r\nContent-Length: 5")), Ok(()));
        for (length, wrong) in [
            ("16385", Unanswered::Body),
            ("99999999999999999999999999", Unanswered::Body),
            ("+5", Unanswered::Garbage),
            ("-5", Unanswered::Garbage),
            ("5, 5", Unanswered::Garbage),
        ] {
            let said = read(&format!("{post}\r\nContent-Length: {length}"));
            assert_eq!(said, Err(wrong), "{length}");
        }
        assert_eq!(
            read(&format!("{post}\r\nContent-Length: 5\r\nContent-Length: 6")),
            Err(Unanswered::Garbage)
        );
        assert_eq!(
            read(&format!("{host}\r\nTransfer-Encoding: chunked")),
            Err(Unanswered::Body)
        );
        assert_eq!(read("\u{16}\u{3}\u{1}"), Err(Unanswered::Garbage));
        let many = "\r\nA: b".repeat(65);
        assert_eq!(read(&format!("{host}{many}")), Err(Unanswered::TooLong));
        assert_eq!(read_head(&[b'A'; LARGEST_HEAD]), Err(Unanswered::TooLong));
        let long = format!("{host}\r\nX: {}", "y".repeat(LARGEST_HEAD));
        assert_eq!(read(&long), Err(Unanswered::TooLong));
    }
}
