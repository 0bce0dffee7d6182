//! A running desk, and plain HTTP to it.

use std::fmt;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

use crate::runner::compband;

/// A desk that runs until this is dropped, and the browser that it let in.
pub struct DeskRun {
    child: Child,
    /// What it prints on standard error.
    errors: File,
    pub port: u16,
    /// The token of the printed address.
    pub token: String,
    /// `name=value` of the cookie; empty before [`DeskRun::enter`].
    pub cookie: String,
}

/// An answer: status, headers (names in lower case) and body.
pub struct Answer {
    pub status: u16,
    pub headers: Vec<(String, String)>,
    pub body: String,
}

impl fmt::Debug for Answer {
    /// The head, and the beginning of what a page says.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let main = self.body.find("<main").unwrap_or_default();
        let said: String = self.body[main..].chars().take(1500).collect();
        write!(f, "{} {:?}\n{said}", self.status, self.headers)
    }
}

impl Answer {
    /// The value of a header; empty if it has none.
    pub fn header(&self, name: &str) -> &str {
        let named = self.headers.iter().find(|(known, _)| known == name);
        named.map_or("", |(_, value)| value)
    }

    /// The value of the first hidden field of this name on the page.
    pub fn hidden(&self, name: &str) -> String {
        let mark = format!("name=\"{name}\" value=\"");
        let from = self.body.find(&mark).expect("no such field") + mark.len();
        let end = self.body[from..].find('"').unwrap();
        self.body[from..from + end].to_string()
    }
}

impl DeskRun {
    /// Starts a desk for the book in a folder; nobody has come in.
    pub fn start(dir: &Path) -> Self {
        let errors = tempfile::tempfile().unwrap();
        let mut child = compband(dir)
            .args(["desk", "--no-browser"])
            .stdout(Stdio::piped())
            .stderr(errors.try_clone().unwrap())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut line).unwrap();
        let address = line.split("http://127.0.0.1:").nth(1).expect("no address");
        let (port, token) = address.trim().split_once("/enter/").unwrap();
        Self {
            child,
            errors,
            port: port.parse().unwrap(),
            token: token.to_string(),
            cookie: String::new(),
        }
    }

    /// Starts a desk and comes in.
    pub fn open(dir: &Path) -> Self {
        let mut desk = Self::start(dir);
        desk.enter();
        desk
    }

    /// Takes the cookie for the token.
    pub fn enter(&mut self) {
        let answer = self.get(&format!("/enter/{}", self.token));
        assert_eq!(answer.status, 303, "{answer:?}");
        let cookie = answer.header("set-cookie").split(';').next().unwrap();
        self.cookie = cookie.to_string();
    }

    /// What it printed on standard error so far.
    pub fn said(&self) -> String {
        let mut errors = &self.errors;
        errors.seek(SeekFrom::Start(0)).unwrap();
        let mut said = String::new();
        errors.read_to_string(&mut said).unwrap();
        said
    }

    /// The identifier of the process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Sends bytes and reads until the other end closes.
    pub fn raw(&self, request: &[u8]) -> Vec<u8> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        // The other end may close before it has read everything.
        let _ = stream.write_all(request);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        answer
    }

    /// Sends a request with these headers and this body, and reads the answer.
    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut text = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
        for (name, value) in headers {
            text.push_str(&format!("{name}: {value}\r\n"));
        }
        if method == "POST" {
            text.push_str(&format!("Content-Length: {}\r\n", body.len()));
        }
        text.push_str("\r\n");
        answer(&self.raw(&[text.as_bytes(), body].concat()))
    }

    /// The `Host` of requests.
    pub fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Fetches a page as the browser that was let in.
    pub fn get(&self, path: &str) -> Answer {
        let headers = [("Host", &*self.host()), ("Cookie", &self.cookie)];
        self.send("GET", path, &headers, b"")
    }

    /// Fetches a page that must be there.
    pub fn page(&self, path: &str) -> Answer {
        let answer = self.get(path);
        assert_eq!(answer.status, 200, "{path}: {answer:?}");
        answer
    }

    /// Sends a form as a page of the desk does: fields are encoded.
    pub fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let origin = format!("http://{}", self.host());
        let headers = [
            ("Host", &*self.host()),
            ("Cookie", &self.cookie),
            ("Origin", &origin),
            ("Sec-Fetch-Site", "same-origin"),
            ("Content-Type", "application/x-www-form-urlencoded"),
        ];
        self.send("POST", path, &headers, encoded(fields).as_bytes())
    }

    /// Fetches a page with a form that writes, and sends its fields with those hidden ones that guard it.
    pub fn act(&self, page: &str, path: &str, fields: &[(&str, &str)]) -> Answer {
        let shown = self.page(page);
        let (seen, once) = (shown.hidden("seen"), shown.hidden("once"));
        let guards = [("seen", &*seen), ("once", &once)];
        self.post(path, &[fields, &guards].concat())
    }
}

impl Drop for DeskRun {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Fields as a form sends them.
pub fn encoded(fields: &[(&str, &str)]) -> String {
    let encode =
        |text: &str| -> String { text.bytes().map(|byte| format!("%{byte:02X}")).collect() };
    let pairs = fields
        .iter()
        .map(|(name, value)| format!("{}={}", encode(name), encode(value)));
    pairs.collect::<Vec<_>>().join("&")
}

/// Reads an answer: its body by its length or in chunks.
pub fn answer(bytes: &[u8]) -> Answer {
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n");
    let end = end.unwrap_or_else(|| panic!("no answer: {:?}", String::from_utf8_lossy(bytes)));
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let mut lines = head.lines();
    let status = lines.next().unwrap().split(' ').nth(1).unwrap();
    let headers: Vec<(String, String)> = lines
        .map(|line| line.split_once(": ").unwrap_or((line, "")))
        .map(|(name, value)| (name.to_lowercase(), value.to_string()))
        .collect();
    let chunked = headers.iter().any(|(_, value)| value == "chunked");
    let mut rest = &bytes[end + 4..];
    let mut body = Vec::new();
    while chunked && !rest.is_empty() {
        let line = rest.windows(2).position(|two| two == b"\r\n").unwrap();
        let size = std::str::from_utf8(&rest[..line]).unwrap();
        let size = usize::from_str_radix(size, 16).unwrap();
        body.extend_from_slice(&rest[line + 2..line + 2 + size]);
        rest = rest.get(line + 4 + size..).unwrap_or_default();
    }
    let body = if chunked { body } else { rest.to_vec() };
    Answer {
        status: status.parse().unwrap(),
        headers,
        body: String::from_utf8_lossy(&body).into_owned(),
    }
}

impl DeskRun {
    /// Sends bytes; none if the desk does not answer, such as one that was ended meanwhile.
    pub fn try_post(&self, path: &str, fields: &[(&str, &str)]) -> Option<u16> {
        let body = encoded(fields);
        let text = format!(
            "POST {path} HTTP/1.1\r\nConnection: close\r\nHost: {0}\r\nOrigin: http://{0}\r\nCookie: {1}\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {2}\r\n\r\n{body}",
            self.host(),
            self.cookie,
            body.len()
        );
        let bytes = self.try_raw(text.as_bytes())?;
        bytes
            .starts_with(b"HTTP/1.1 ")
            .then(|| answer(&bytes).status)
    }

    /// Fetches a page; none if the desk does not answer.
    pub fn try_get(&self, path: &str) -> Option<Answer> {
        let text = format!(
            "GET {path} HTTP/1.1\r\nConnection: close\r\nHost: {}\r\nCookie: {}\r\n\r\n",
            self.host(),
            self.cookie
        );
        let bytes = self.try_raw(text.as_bytes())?;
        let whole =
            bytes.starts_with(b"HTTP/1.1 ") && bytes.windows(4).any(|four| four == b"\r\n\r\n");
        whole.then(|| answer(&bytes))
    }

    fn try_raw(&self, request: &[u8]) -> Option<Vec<u8>> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).ok()?;
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .ok()?;
        stream.write_all(request).ok()?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).ok()?;
        Some(answer)
    }
}
