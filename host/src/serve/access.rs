//! Who is let in: by address, by name, by token.

use std::net::{IpAddr, SocketAddr};

use axum::http::{HeaderMap, Method, StatusCode, Uri, header};
use sha2::{Digest, Sha256};

/// Fewest characters of a token.
pub const LEAST_TOKEN: usize = 16;
/// Longest address of a page.
const MOST_ADDRESS: usize = 8192;
/// Most bytes of all headers of a request.
const MOST_HEADERS: usize = 16_384;

/// Whether a token is long enough, and can stand in an address and in a cookie as it is.
pub fn is_strong(token: &str) -> bool {
    token.len() >= LEAST_TOKEN
        && token.len() <= 256
        && token.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte))
}

/// Who is let in.
#[derive(Debug)]
pub struct Access {
    is_loopback: bool,
    names: Vec<String>,
    /// SHA-256 of the token.
    token: Option<[u8; 32]>,
    /// Name of the cookie: cookies do not know ports.
    cookie: String,
}

/// What becomes of a request.
#[derive(Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It is answered.
    Welcome,
    /// It had the token in its address: from now on the browser has it in a cookie.
    Remember {
        /// The cookie.
        cookie: String,
        /// The address without the token.
        to: String,
    },
    /// It is not answered.
    Refused {
        /// With this.
        status: StatusCode,
        /// And why.
        words: &'static str,
    },
}

impl Access {
    /// For who listens at `address`.
    pub fn new(address: SocketAddr, token: Option<&str>, names: &[String]) -> Self {
        Self {
            is_loopback: address.ip().is_loopback(),
            names: names.iter().map(|name| plain_name(name)).collect(),
            token: token.map(|token| Sha256::digest(token).into()),
            cookie: format!("wyelog-{}", address.port()),
        }
    }

    /// Looks at all of a request but its body, which must not be there.
    pub fn judge(&self, method: &Method, uri: &Uri, headers: &HeaderMap) -> Verdict {
        let refused = |status, words| Verdict::Refused { status, words };
        if method != Method::GET && method != Method::HEAD {
            return refused(StatusCode::METHOD_NOT_ALLOWED, "These pages can only be read.");
        }
        let has_body = headers.get(header::CONTENT_LENGTH).is_some_and(|length| length != "0");
        if has_body || headers.contains_key(header::TRANSFER_ENCODING) {
            return refused(StatusCode::PAYLOAD_TOO_LARGE, "A request for a page has no content of its own.");
        }
        if uri.to_string().len() > MOST_ADDRESS {
            return refused(
                StatusCode::URI_TOO_LONG,
                "The address is too long. Ask for fewer banks at once.",
            );
        }
        let headers_size: usize = headers.iter().map(|(name, value)| name.as_str().len() + value.len()).sum();
        if headers_size > MOST_HEADERS {
            let words = "The request's headers are too long. Remove this address's cookies.";
            return refused(StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE, words);
        }
        if !self.is_called_right(uri, headers) {
            // Else a page from elsewhere could read this one: its name can be made to lead here.
            let words =
                "This PC is not called that. Open the address that wyelog printed, or start it with --name.";
            return refused(StatusCode::MISDIRECTED_REQUEST, words);
        }
        let is_from_elsewhere = headers.get("sec-fetch-site").is_some_and(|site| site == "cross-site");
        let is_opened = headers.get("sec-fetch-mode").is_none_or(|mode| mode == "navigate");
        if is_from_elsewhere && !is_opened {
            return refused(StatusCode::FORBIDDEN, "Other pages may link to this one, no more.");
        }
        self.judge_token(uri, headers)
    }

    /// Whether every name by which this PC was called is one of its own. An address of digits is:
    /// it leads nowhere else.
    fn is_called_right(&self, uri: &Uri, headers: &HeaderMap) -> bool {
        let mut hosts = headers.get_all(header::HOST).iter();
        let (Some(host), None) = (hosts.next(), hosts.next()) else { return false };
        let Ok(host) = host.to_str() else { return false };
        let is_own = |host: &str| {
            let name = plain_name(without_port(host));
            match name.parse::<IpAddr>() {
                Ok(ip) => !self.is_loopback || ip.is_loopback(),
                Err(_) => name == "localhost" || self.names.contains(&name),
            }
        };
        is_own(host) && uri.authority().is_none_or(|authority| is_own(authority.as_str()))
    }

    fn judge_token(&self, uri: &Uri, headers: &HeaderMap) -> Verdict {
        let Some(token) = &self.token else { return Verdict::Welcome };
        let bearer = headers.get_all(header::AUTHORIZATION).iter().filter_map(|value| value.to_str().ok());
        let mut bearer = bearer.filter_map(|value| value.strip_prefix("Bearer "));
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let cookies = cookies.flat_map(|line| line.split(';')).filter_map(|one| one.trim().split_once('='));
        let mut cookies = cookies.filter(|(name, _)| *name == self.cookie).map(|(_, value)| value);
        let (mut asked, mut rest) = (None, Vec::new());
        for pair in uri.query().unwrap_or_default().split('&').filter(|pair| !pair.is_empty()) {
            match pair.strip_prefix("token=") {
                Some(given) => asked = Some(given),
                None => rest.push(pair),
            }
        }
        if let Some(given) = asked.filter(|given| is_same(given, token)) {
            let query = if rest.is_empty() { String::new() } else { format!("?{}", rest.join("&")) };
            // Not `Strict`: a browser that follows a link from a mail would not send it to the page that it is led to.
            let cookie = format!("{}={given}; Path=/; HttpOnly; SameSite=Lax", self.cookie);
            // A path that begins with two slashes would be another machine's address.
            let path = uri.path().trim_start_matches('/');
            return Verdict::Remember { cookie, to: format!("/{path}{query}") };
        }
        if bearer.any(|given| is_same(given, token)) || cookies.any(|given| is_same(given, token)) {
            return Verdict::Welcome;
        }
        let words = "Who reads here has to know the token: open the address that wyelog printed, with ?token= and the token \
                     behind it.";
        Verdict::Refused { status: StatusCode::UNAUTHORIZED, words }
    }
}

/// Compares in a time that tells nothing of where they differ: both are hashed, and every byte is looked at.
fn is_same(given: &str, token: &[u8; 32]) -> bool {
    let given: [u8; 32] = Sha256::digest(given).into();
    let differences = given.iter().zip(token).fold(0, |all, (a, b)| all | (a ^ b));
    std::hint::black_box(differences) == 0
}

fn plain_name(name: &str) -> String {
    name.trim_end_matches('.').to_ascii_lowercase()
}

/// `[::1]:80` is `::1`, `here:80` is `here`.
fn without_port(host: &str) -> &str {
    if let Some(rest) = host.strip_prefix('[') {
        return rest.split_once(']').map_or("", |(ip, _)| ip);
    }
    match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOKEN: &str = "a-token-of-23-letters-1";

    fn access(address: &str, token: Option<&str>) -> Access {
        Access::new(address.parse().unwrap(), token, &["Desk.Example.".to_owned()])
    }

    fn judge(access: &Access, uri: &str, headers: &[(&'static str, &str)]) -> Verdict {
        let mut map = HeaderMap::new();
        for (name, value) in headers {
            map.append(*name, value.parse().unwrap());
        }
        access.judge(&Method::GET, &uri.parse().unwrap(), &map)
    }

    fn status(verdict: Verdict) -> u16 {
        match verdict {
            Verdict::Welcome => 200,
            Verdict::Remember { .. } => 303,
            Verdict::Refused { status, .. } => status.as_u16(),
        }
    }

    #[test]
    fn only_own_names_are_answered() {
        let here = access("127.0.0.1:80", None);
        let there = access("0.0.0.0:80", Some(TOKEN));
        let known = format!("Bearer {TOKEN}");
        let cases = [
            ("127.0.0.1:80", 200, 200),
            ("127.0.0.1", 200, 200),
            ("localhost:9", 200, 200),
            ("LOCALHOST.", 200, 200),
            ("[::1]:80", 200, 200),
            ("desk.example:80", 200, 200),
            ("192.0.2.7:80", 421, 200),
            ("evil.example", 421, 421),
            ("localhost.evil.example", 421, 421),
            ("127.0.0.1.evil.example:80", 421, 421),
            ("", 421, 421),
            ("[::1", 421, 421),
            ("localhost:80:80", 421, 421),
        ];
        for (host, at_home, abroad) in cases {
            assert_eq!(status(judge(&here, "/", &[("host", host)])), at_home, "{host}");
            let headers = [("host", host), ("authorization", known.as_str())];
            assert_eq!(status(judge(&there, "/", &headers)), abroad, "{host}");
        }
        assert_eq!(status(judge(&here, "/", &[])), 421);
        assert_eq!(status(judge(&here, "/", &[("host", "localhost"), ("host", "localhost")])), 421);
        assert_eq!(status(judge(&here, "http://evil.example/", &[("host", "localhost")])), 421);
    }

    #[test]
    fn the_token_opens_and_is_taken_out_of_the_address() {
        let access = access("0.0.0.0:7000", Some(TOKEN));
        let host = ("host", "192.0.2.7");
        assert_eq!(status(judge(&access, "/", &[host])), 401);
        assert_eq!(status(judge(&access, "/?token=another-token-of-24", &[host])), 401);
        assert_eq!(status(judge(&access, &format!("/?tokens={TOKEN}"), &[host])), 401);
        let Verdict::Remember { cookie, to } =
            judge(&access, &format!("//bank?bank=B%201&token={TOKEN}&from=2030-05-01"), &[host])
        else {
            panic!("not remembered")
        };
        assert_eq!(to, "/bank?bank=B%201&from=2030-05-01");
        assert_eq!(cookie, format!("wyelog-7000={TOKEN}; Path=/; HttpOnly; SameSite=Lax"));
        let with = |value: &str| status(judge(&access, "/", &[host, ("cookie", value)]));
        assert_eq!(with(&format!("a=b; wyelog-7000={TOKEN}")), 200);
        assert_eq!(with(&format!("wyelog-7001={TOKEN}")), 401);
        assert_eq!(with("wyelog-7000="), 401);
        assert!(is_strong(TOKEN) && !is_strong("short") && !is_strong("with a blank in between"));
    }

    #[test]
    fn pages_from_elsewhere_may_link_and_no_more() {
        let access = access("127.0.0.1:80", None);
        let host = ("host", "localhost");
        let from =
            |site, mode| judge(&access, "/", &[host, ("sec-fetch-site", site), ("sec-fetch-mode", mode)]);
        assert_eq!(status(from("cross-site", "no-cors")), 403);
        assert_eq!(status(from("cross-site", "navigate")), 200);
        assert_eq!(status(from("same-origin", "cors")), 200);
    }

    #[test]
    fn what_is_too_large_is_refused() {
        let access = access("127.0.0.1:80", None);
        let host = ("host", "localhost");
        assert_eq!(status(judge(&access, &format!("/?bank={}", "x".repeat(9000)), &[host])), 414);
        assert_eq!(status(judge(&access, "/", &[host, ("cookie", &"x".repeat(17_000))])), 431);
        assert_eq!(status(judge(&access, "/", &[host, ("content-length", "5")])), 413);
        assert_eq!(status(judge(&access, "/", &[host, ("transfer-encoding", "chunked")])), 413);
        let mut headers = HeaderMap::new();
        headers.insert(header::HOST, "localhost".parse().unwrap());
        for method in [Method::POST, Method::PUT, Method::DELETE, Method::OPTIONS, Method::TRACE] {
            assert_eq!(status(access.judge(&method, &"/".parse().unwrap(), &headers)), 405);
        }
    }
}
