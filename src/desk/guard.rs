//! Who may ask: the browser that got the token of the run, from a page of this desk, on this computer.
//!
//! The printed address has a token that works once and gives a cookie; every other request needs the cookie. The
//! name that a request was sent to (`Host`) must be ours, else another site's name could be pointed at this
//! computer (DNS rebinding). A request that writes must come from a page of ours (`Origin`), and no other site's
//! page may ask for anything (`Sec-Fetch-Site`, where the browser sends it).

use std::net::IpAddr;
use std::sync::Mutex;

use axum::http::request::Parts;
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};

/// Bytes of a token.
const TOKEN_BYTES: usize = 32;

/// Headers of every answer.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
         form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    // With none, browsers send "null" as the origin of a form without a script.
    (header::REFERRER_POLICY, "same-origin"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// The checks of one run.
pub struct Guard {
    port: u16,
    /// The token of the printed address, until it was used.
    token: Mutex<Option<String>>,
    /// Value of the cookie.
    secret: String,
}

/// Address of the other end of a connection.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub IpAddr);

/// Why a request is refused, in plain words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Refusal {
    /// Status of the answer.
    pub status: StatusCode,
    /// The advice.
    pub words: &'static str,
}

const ELSEWHERE: Refusal = Refusal {
    status: StatusCode::FORBIDDEN,
    words: "This request did not come from a page of this desk, so it was refused. Nothing was changed.",
};

const NO_COOKIE: Refusal = Refusal {
    status: StatusCode::FORBIDDEN,
    words: "This browser has not been let in. Open the address that `compband desk` printed; it works once. If it \
            was used already, end the desk with Ctrl-C and start it again.",
};

impl Guard {
    /// New secrets for a run on a port.
    ///
    /// # Errors
    /// If this computer gives no random numbers.
    pub fn new(port: u16) -> Result<Self, getrandom::Error> {
        Ok(Self {
            port,
            token: Mutex::new(Some(random::<TOKEN_BYTES>()?)),
            secret: random::<TOKEN_BYTES>()?,
        })
    }

    /// The address to print.
    pub fn address(&self) -> String {
        let token = self.token.lock().map_or(None, |token| token.clone());
        format!(
            "http://127.0.0.1:{}/enter/{}",
            self.port,
            token.unwrap_or_default()
        )
    }

    /// Whether a request may be answered; `Ok(true)` if it is one to come in (`/enter/…`), which needs no cookie.
    ///
    /// # Errors
    /// Why not.
    pub fn check(&self, request: &Parts) -> Result<bool, Refusal> {
        let peer = request.extensions.get::<Peer>();
        if !peer.is_some_and(|peer| peer.0.is_loopback()) || !self.is_for_us(request) {
            return Err(ELSEWHERE);
        }
        let coming_in = request.method == Method::GET && request.uri.path().starts_with("/enter/");
        if coming_in {
            return Ok(true);
        }
        if !self.has_cookie(&request.headers) {
            return Err(NO_COOKIE);
        }
        let reads = matches!(request.method, Method::GET | Method::HEAD);
        if !self.is_from_us(&request.headers, reads) {
            return Err(ELSEWHERE);
        }
        Ok(false)
    }

    /// Lets a browser in that has the token: the cookie to set. The token then no longer works; a browser that has
    /// the cookie comes in with nothing to set.
    ///
    /// # Errors
    /// If the token is wrong or was used.
    pub fn enter(&self, token: &str, headers: &HeaderMap) -> Result<Option<String>, Refusal> {
        if self.has_cookie(headers) {
            return Ok(None);
        }
        let mut known = self.token.lock().map_err(|_| NO_COOKIE)?;
        if !known.as_ref().is_some_and(|known| is_same(known, token)) {
            return Err(NO_COOKIE);
        }
        *known = None;
        Ok(Some(format!(
            "{}={}; Path=/; HttpOnly; SameSite=Strict",
            self.cookie(),
            self.secret
        )))
    }

    fn cookie(&self) -> String {
        format!("compband_{}", self.port)
    }

    /// Whether a name and port are ours.
    fn is_ours(&self, text: &str) -> bool {
        let Ok(authority) = text.parse::<Authority>() else {
            return false;
        };
        let named = ["127.0.0.1", "localhost"].contains(&authority.host());
        let plain = !text.contains('@');
        // Browsers leave the usual port out.
        named && plain && authority.port_u16().unwrap_or(80) == self.port
    }

    /// Whether a request was sent to our name: exactly one `Host`, and the same if its target is a whole address.
    fn is_for_us(&self, request: &Parts) -> bool {
        let mut hosts = request.headers.get_all(header::HOST).iter();
        let (host, other) = (hosts.next(), hosts.next());
        let host = host.and_then(|host| host.to_str().ok());
        let target = request.uri.authority().map(Authority::as_str);
        other.is_none()
            && host.is_some_and(|host| self.is_ours(host))
            && target.is_none_or(|target| self.is_ours(target))
    }

    fn is_from_us(&self, headers: &HeaderMap, reads: bool) -> bool {
        let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
        let origin = text(header::ORIGIN);
        let from = origin.map(|origin| {
            let ours = origin.strip_prefix("http://");
            ours.is_some_and(|name| self.is_ours(name))
        });
        let site = text(HeaderName::from_static("sec-fetch-site"));
        let near = match site {
            None | Some("same-origin") => true,
            // A person typed the address.
            Some("none") => reads,
            Some(_) => false,
        };
        near && from.unwrap_or(reads)
    }

    fn has_cookie(&self, headers: &HeaderMap) -> bool {
        let cookies = headers.get_all(header::COOKIE).iter();
        let cookies = cookies.filter_map(|value| value.to_str().ok());
        let mut pairs = cookies.flat_map(|cookies| cookies.split(';'));
        pairs.any(|pair| {
            let (name, value) = pair.trim().split_once('=').unwrap_or_default();
            name == self.cookie() && is_same(value, &self.secret)
        })
    }
}

/// Adds the headers of every answer.
pub fn add_headers(headers: &mut HeaderMap) {
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
}

/// Random bytes as hexadecimal digits.
///
/// # Errors
/// If the system has no randomness.
pub fn random<const COUNT: usize>() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; COUNT];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Compares secrets in a time that does not depend on where they differ.
fn is_same(one: &str, other: &str) -> bool {
    let (one, other) = (one.as_bytes(), other.as_bytes());
    let pairs = one.iter().zip(other);
    one.len() == other.len() && pairs.fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard() -> Guard {
        Guard::new(4321).unwrap()
    }

    #[test]
    fn only_our_names_are_ours() {
        let guard = guard();
        for ours in ["127.0.0.1:4321", "localhost:4321"] {
            assert!(guard.is_ours(ours), "{ours}");
        }
        for other in [
            "127.0.0.1",
            "127.0.0.1:4322",
            "localhost:80",
            "127.0.0.1.example:4321",
            "example:4321",
            "[::1]:4321",
            "a@127.0.0.1:4321",
            "127.0.0.1:4321/x",
            "",
            " ",
        ] {
            assert!(!guard.is_ours(other), "{other}");
        }
    }

    #[test]
    fn a_token_works_once() {
        let guard = guard();
        let token = guard.address().rsplit('/').next().unwrap().to_string();
        assert_eq!(token.len(), 2 * TOKEN_BYTES);
        let none = HeaderMap::new();
        assert!(guard.enter("", &none).is_err());
        assert!(guard.enter(&token[1..], &none).is_err());
        let cookie = guard.enter(&token, &none).unwrap().unwrap();
        assert!(!cookie.contains(&token));
        assert!(guard.enter(&token, &none).is_err());
        assert!(guard.enter("", &none).is_err());
        let pair = cookie.split(';').next().unwrap();
        let mut with = HeaderMap::new();
        with.insert(header::COOKIE, pair.parse().unwrap());
        assert_eq!(guard.enter("x", &with).unwrap(), None);
    }

    #[test]
    fn a_writing_request_states_its_origin() {
        let guard = guard();
        let from = |pairs: &[(&'static str, &str)], reads: bool| {
            let mut headers = HeaderMap::new();
            for (name, value) in pairs {
                headers.insert(HeaderName::from_static(name), value.parse().unwrap());
            }
            guard.is_from_us(&headers, reads)
        };
        let ours = ("origin", "http://127.0.0.1:4321");
        assert!(from(&[ours], false) && from(&[ours, ("sec-fetch-site", "same-origin")], false));
        assert!(from(&[], true) && from(&[("sec-fetch-site", "none")], true));
        assert!(!from(&[], false) && !from(&[ours, ("sec-fetch-site", "none")], false));
        for origin in [
            "null",
            "https://127.0.0.1:4321",
            "http://127.0.0.1:5000",
            "http://example",
        ] {
            assert!(!from(&[("origin", origin)], false), "{origin}");
            assert!(!from(&[("origin", origin)], true), "{origin}");
        }
        for site in ["cross-site", "same-site", "x"] {
            assert!(!from(&[ours, ("sec-fetch-site", site)], false), "{site}");
            assert!(!from(&[("sec-fetch-site", site)], true), "{site}");
        }
    }
}
