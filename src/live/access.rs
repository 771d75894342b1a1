//! Who may see what: the address that was asked for, the page that asks, the token. Pure.

use std::net::{IpAddr, SocketAddr};

use super::request::{NOTES, Request, Unanswered};

/// What a server lets in.
#[derive(Debug, Clone)]
pub struct Access {
    /// The address it listens on.
    pub address: SocketAddr,
    /// The token of the run.
    pub token: String,
}

impl Access {
    /// Whether anybody on this computer may read without the token.
    pub fn is_open(&self) -> bool {
        self.address.ip().is_loopback()
    }

    /// Lets a request in, or says why not. `is_document`: what is no secret, the page
    /// itself without a value of the run.
    ///
    /// # Errors
    /// Why not.
    pub fn check(&self, request: &Request, is_document: bool) -> Result<(), Unanswered> {
        // A name that somebody else's server of names turns to this address is refused:
        // a page of theirs would be of one origin with this one.
        if !self.is_own_host(&request.host) {
            return Err(Unanswered::Host);
        }
        let own = format!("http://{}", request.host);
        if request.origin.as_ref().is_some_and(|origin| *origin != own) {
            return Err(Unanswered::Origin);
        }
        let site = request.fetch_site.as_deref();
        if !is_document && !matches!(site, None | Some("same-origin" | "none")) {
            return Err(Unanswered::Origin);
        }
        let writes = request.method == "POST" && request.path == NOTES;
        match &request.token {
            Some(token) if !self.is_token(token) => return Err(Unanswered::Token),
            // On this computer, too, not everybody may write.
            None if writes => return Err(Unanswered::Token),
            None if !is_document && !self.is_open() => return Err(Unanswered::Token),
            _ => {}
        }
        if !writes && request.method != "GET" && request.method != "HEAD" {
            return Err(Unanswered::Method);
        }
        // A form of another page cannot send this kind without being asked about it first.
        if writes && request.content_type.as_deref() != Some("application/json") {
            return Err(Unanswered::Kind);
        }
        Ok(())
    }

    /// Compared by hashes, which takes as long whatever is wrong.
    fn is_token(&self, token: &str) -> bool {
        blake3::hash(token.as_bytes()) == blake3::hash(self.token.as_bytes())
    }

    fn is_own_host(&self, host: &str) -> bool {
        let port = self.address.port();
        let name = match host.rsplit_once(':') {
            Some((name, digits)) if !name.is_empty() && !digits.ends_with(']') => {
                if digits.parse() != Ok(port) {
                    return false;
                }
                name
            }
            _ if port == 80 => host,
            _ => return false,
        };
        if name.eq_ignore_ascii_case("localhost") {
            return self.is_open() || self.address.ip().is_unspecified();
        }
        let bare = name
            .strip_prefix('[')
            .and_then(|name| name.strip_suffix(']'));
        let Ok(asked) = bare.unwrap_or(name).parse::<IpAddr>() else {
            return false;
        };
        // On every address of the computer: which they are, the system knows.
        asked == self.address.ip()
            || self.address.ip().is_unspecified()
            || (self.is_open() && asked.is_loopback())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(host: &str) -> Request {
        Request {
            method: "GET".into(),
            path: "/state".into(),
            host: host.into(),
            ..Request::default()
        }
    }

    fn access(address: &str) -> Access {
        Access {
            address: address.parse().unwrap(),
            token: "secret".into(),
        }
    }

    #[test]
    fn a_name_of_somebody_else_is_no_host_of_ours() {
        let own = access("127.0.0.1:8080");
        for host in [
            "127.0.0.1:8080",
            "localhost:8080",
            "LOCALHOST:8080",
            "[::1]:8080",
        ] {
            assert_eq!(own.check(&request(host), false), Ok(()), "{host}");
        }
        for host in [
            "evil.example:8080",
            "127.0.0.1",
            "127.0.0.1:81",
            "192.0.2.1:8080",
            "",
            ":8080",
            "[::1]",
        ] {
            assert_eq!(
                own.check(&request(host), false),
                Err(Unanswered::Host),
                "{host}"
            );
        }
        assert_eq!(
            access("127.0.0.1:80").check(&request("localhost"), false),
            Ok(())
        );
    }

    #[test]
    fn on_any_other_address_the_token_is_asked_for() {
        let shared = access("0.0.0.0:8080");
        let mut asked = request("192.0.2.7:8080");
        assert_eq!(shared.check(&asked, false), Err(Unanswered::Token));
        assert_eq!(
            shared.check(&asked, true),
            Ok(()),
            "the page holds no value"
        );
        for (token, is) in [
            ("wrong", Err(Unanswered::Token)),
            ("", Err(Unanswered::Token)),
            ("secret", Ok(())),
        ] {
            asked.token = Some(token.into());
            assert_eq!(shared.check(&asked, false), is, "{token}");
        }
        assert_eq!(
            shared.check(&request("bench.example:8080"), true),
            Err(Unanswered::Host)
        );
        // On loopback a wrong token is wrong all the same.
        let mut wrong = request("127.0.0.1:8080");
        wrong.token = Some("wrong".into());
        assert_eq!(
            access("127.0.0.1:8080").check(&wrong, false),
            Err(Unanswered::Token)
        );
    }

    #[test]
    fn pages_of_others_read_nothing_and_nobody_writes() {
        let own = access("127.0.0.1:8080");
        let mut asked = request("127.0.0.1:8080");
        asked.origin = Some("http://127.0.0.1:8080".into());
        assert_eq!(own.check(&asked, false), Ok(()));
        for origin in [
            "http://evil.example",
            "null",
            "https://127.0.0.1:8080",
            "http://127.0.0.1:81",
        ] {
            asked.origin = Some(origin.into());
            assert_eq!(
                own.check(&asked, false),
                Err(Unanswered::Origin),
                "{origin}"
            );
        }
        let mut script = request("127.0.0.1:8080");
        script.fetch_site = Some("cross-site".into());
        assert_eq!(own.check(&script, false), Err(Unanswered::Origin));
        assert_eq!(
            own.check(&script, true),
            Ok(()),
            "a link to the page may be followed"
        );
        let mut written = request("127.0.0.1:8080");
        written.method = "POST".into();
        assert_eq!(own.check(&written, false), Err(Unanswered::Method));
    }

    #[test]
    fn who_writes_needs_the_token_on_this_computer_too() {
        let own = access("127.0.0.1:8080");
        let mut asked = Request {
            method: "POST".into(),
            path: NOTES.into(),
            content_type: Some("application/json".into()),
            ..request("127.0.0.1:8080")
        };
        assert_eq!(own.check(&asked, false), Err(Unanswered::Token));
        asked.token = Some("wrong".into());
        assert_eq!(own.check(&asked, false), Err(Unanswered::Token));
        asked.token = Some("secret".into());
        assert_eq!(own.check(&asked, false), Ok(()));
        asked.origin = Some("http://evil.example".into());
        assert_eq!(own.check(&asked, false), Err(Unanswered::Origin));
        asked.origin = Some("http://127.0.0.1:8080".into());
        assert_eq!(own.check(&asked, false), Ok(()));
        asked.fetch_site = Some("cross-site".into());
        assert_eq!(own.check(&asked, false), Err(Unanswered::Origin));
        asked.fetch_site = Some("same-origin".into());
        for kind in [
            None,
            Some("text/plain"),
            Some("application/x-www-form-urlencoded"),
        ] {
            asked.content_type = kind.map(str::to_owned);
            assert_eq!(own.check(&asked, false), Err(Unanswered::Kind), "{kind:?}");
        }
        asked.path = "/state".into();
        assert_eq!(own.check(&asked, false), Err(Unanswered::Method));
    }
}
