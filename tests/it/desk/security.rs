//! Who is let in, and what no request can do.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream, UdpSocket};
use std::time::{Duration, Instant};

use super::{Answer, DeskRun, answer};
use crate::estimate::demo;
use crate::runner::{everything, out};

/// The pages.
const VIEWS: [&str; 7] = [
    "/price", "/buy", "/sell", "/sales", "/stock", "/watched", "/check",
];

#[test]
fn the_printed_address_lets_one_browser_in_once() {
    let book = demo();
    let mut desk = DeskRun::start(book.path());
    let enter = format!("/enter/{}", desk.token);
    assert_eq!(desk.token.len(), 64);
    for path in ["/", "/price", "/look.css", "/desk.js", "/nothing"] {
        let refused = desk.get(path);
        assert_eq!(refused.status, 403, "{path}");
        assert!(refused.body.contains("has not been let in"), "{refused:?}");
    }
    let wrong = format!("/enter/{}", "0".repeat(64));
    for path in [&*wrong, "/enter/", "/enter/x", &enter[..enter.len() - 1]] {
        assert!(desk.get(path).status != 303, "{path}");
    }
    let first = desk.get(&enter);
    assert_eq!((first.status, first.header("location")), (303, "/"));
    let cookie = first.header("set-cookie");
    let port = desk.port;
    assert!(cookie.starts_with(&format!("compband_{port}=")), "{cookie}");
    for part in ["; HttpOnly", "; SameSite=Strict", "; Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains(&desk.token));
    assert_eq!(desk.get(&enter).status, 403);
    desk.cookie = "compband_1=1; ".to_string() + cookie.split(';').next().unwrap();
    assert_eq!(desk.get("/").header("location"), "/price");
    desk.page("/price");
    // Who is in may open the address again.
    assert_eq!(desk.get(&enter).status, 303);
    desk.cookie = format!("compband_{port}={}", desk.token);
    assert_eq!(desk.get("/price").status, 403);
}

#[test]
fn only_its_own_name_is_answered() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let (host, cookie) = (desk.host(), desk.cookie.clone());
    let port = desk.port;
    let ours = format!("localhost:{port}");
    let get = |hosts: &[&str]| {
        let mut headers: Vec<(&str, &str)> = hosts.iter().map(|host| ("Host", *host)).collect();
        headers.push(("Cookie", &cookie));
        desk.send("GET", "/price", &headers, b"").status
    };
    assert_eq!((get(&[&host]), get(&[&ours])), (200, 200));
    for other in [
        format!("example:{port}"),
        format!("127.0.0.1.example:{port}"),
        "127.0.0.1".to_string(),
        format!("127.0.0.1:{}", port.wrapping_add(1)),
        format!("x@127.0.0.1:{port}"),
        format!("[::1]:{port}"),
        String::new(),
    ] {
        assert!([400, 403].contains(&get(&[&other])), "{other}");
    }
    assert!([400, 403].contains(&get(&[])));
    assert!([400, 403].contains(&get(&[&host, "example"])));
    let whole = |target: &str| {
        let headers = [("Host", &*host), ("Cookie", &cookie)];
        desk.send("GET", target, &headers, b"").status
    };
    assert_eq!(whole(&format!("http://{host}/price")), 200);
    assert_eq!(whole(&format!("http://example:{port}/price")), 403);
}

#[test]
fn other_sites_can_send_nothing() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let host = desk.host();
    let ours = format!("http://{host}");
    let post = |more: &[(&str, &str)]| {
        let usual = [
            ("Host", &*host),
            ("Cookie", &desk.cookie),
            ("Content-Type", "application/x-www-form-urlencoded"),
        ];
        let headers = [&usual, more].concat();
        desk.send("POST", "/price", &headers, b"model=Nulva+61K")
            .status
    };
    assert_eq!(post(&[("Origin", &ours)]), 200);
    assert_eq!(post(&[]), 403);
    let near = format!("http://127.0.0.1:{}", desk.port.wrapping_add(1));
    let secure = format!("https://{host}");
    for origin in ["null", "http://example", &near, &secure, ""] {
        assert_eq!(post(&[("Origin", origin)]), 403, "{origin}");
    }
    for site in ["cross-site", "same-site", "none"] {
        let more = [("Origin", &*ours), ("Sec-Fetch-Site", site)];
        assert_eq!(post(&more), 403, "{site}");
    }
    let get = |site: &str| {
        let headers = [
            ("Host", &*host),
            ("Cookie", &desk.cookie),
            ("Sec-Fetch-Site", site),
        ];
        desk.send("GET", "/price", &headers, b"").status
    };
    assert_eq!((get("none"), get("same-origin")), (200, 200));
    assert_eq!((get("same-site"), get("cross-site")), (403, 403));
    let plain = [
        ("Host", &*host),
        ("Cookie", &desk.cookie),
        ("Origin", &ours),
        ("Content-Type", "text/plain"),
    ];
    let refused = desk.send("POST", "/price", &plain, b"model=Nulva+61K");
    assert_eq!(refused.status, 415);
}

/// A page, or the one that follows on it: long work is waited for.
fn followed(desk: &DeskRun, path: &str) -> Answer {
    let mut at = path.to_string();
    for _ in 0..600 {
        let answer = desk.get(&at);
        match answer.status {
            303 => at = answer.header("location").to_string(),
            200 if answer.body.contains("data-poll") => {
                std::thread::sleep(Duration::from_millis(50));
            }
            200 => return answer,
            other => panic!("{path}: {other}: {answer:?}"),
        }
    }
    panic!("{path} does not come to an end");
}

#[test]
fn every_answer_forbids_what_a_page_does_not_need() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let none = DeskRun::start(book.path());
    let answers = VIEWS
        .map(|path| followed(&desk, path))
        .into_iter()
        .chain(["/", "/look.css", "/desk.css", "/desk.js", "/no/such"].map(|path| desk.get(path)))
        .chain([none.get("/price"), desk.post("/price", &[("model", "x")])]);
    for answer in answers {
        let policy = answer.header("content-security-policy");
        assert!(policy.starts_with("default-src 'none'; "), "{answer:?}");
        assert!(
            !policy.contains("unsafe") && !policy.contains('*'),
            "{policy}"
        );
        for part in [
            "script-src 'self'",
            "style-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        ] {
            assert!(policy.contains(part), "{policy}");
        }
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "same-origin"),
            ("cache-control", "no-store"),
            ("cross-origin-opener-policy", "same-origin"),
            ("cross-origin-resource-policy", "same-origin"),
        ] {
            assert_eq!(answer.header(name), value, "{answer:?}");
        }
        // What the policy would block is not there: script or style in a page.
        let body = &answer.body;
        if answer.header("content-type").starts_with("text/html") {
            assert!(
                !body.contains("style=") && !body.contains("<style"),
                "{body}"
            );
            assert!(
                !body.contains("onclick") && !body.contains("javascript:"),
                "{body}"
            );
            let scripts = body.matches("<script").count();
            assert_eq!(scripts, body.matches("<script src=\"/desk.js\"").count());
            assert!(
                !body.contains("//127.0.0.1") && !body.contains("https:"),
                "{body}"
            );
        }
    }
}

#[test]
fn a_body_that_is_too_long_is_refused() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let before = everything(book.path());
    let long = "x".repeat((1 << 20) + 1);
    let refused = desk.post("/price", &[("model", &long[..400_000])]);
    assert_eq!(refused.status, 413, "encoded it is longer than 1 MiB");
    let origin = format!("http://{}", desk.host());
    let head = format!(
        "POST /stock/do HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nOrigin: {origin}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\n",
        desk.host(),
        desk.cookie
    );
    // Said to be short, chunked without an end, and with two lengths.
    for (more, body) in [
        ("Content-Length: 99999999999\r\n\r\n", &*long),
        ("Transfer-Encoding: chunked\r\n\r\n110000\r\n", &*long),
    ] {
        let request = format!("{head}Connection: close\r\n{more}{body}");
        assert_eq!(answer(&desk.raw(request.as_bytes())).status, 413, "{more}");
    }
    let two = format!("{head}Content-Length: 3\r\nContent-Length: 5\r\n\r\na=b&c");
    assert_eq!(answer(&desk.raw(two.as_bytes())).status, 400);
    assert_eq!(everything(book.path()), before);
    desk.page("/price");
}

#[test]
fn who_is_slow_is_let_go_and_holds_up_nobody() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let connect = || TcpStream::connect(("127.0.0.1", desk.port)).unwrap();
    let mut slow: Vec<TcpStream> = (0..20).map(|_| connect()).collect();
    for stream in &mut slow {
        stream
            .write_all(b"GET /price HTTP/1.1\r\nHost: 127")
            .unwrap();
    }
    let mut unfinished = connect();
    let head = format!(
        "POST /price HTTP/1.1\r\nHost: {0}\r\nCookie: {1}\r\nOrigin: http://{0}\r\nContent-Length: 100\r\n\
         Content-Type: application/x-www-form-urlencoded\r\n\r\nmodel=",
        desk.host(),
        desk.cookie
    );
    unfinished.write_all(head.as_bytes()).unwrap();
    let begun = Instant::now();
    desk.page("/price");
    assert!(begun.elapsed() < Duration::from_secs(8));
    let patience = Some(Duration::from_secs(40));
    for stream in &mut slow {
        stream.set_read_timeout(patience).unwrap();
        let mut rest = Vec::new();
        stream
            .read_to_end(&mut rest)
            .expect("the connection stays open");
        assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    }
    unfinished.set_read_timeout(patience).unwrap();
    let mut rest = Vec::new();
    unfinished
        .read_to_end(&mut rest)
        .expect("the connection stays open");
    assert_eq!(answer(&rest).status, 408);
    assert!(begun.elapsed() < Duration::from_secs(35));
}

#[test]
fn it_listens_on_this_computer_only() {
    let book = demo();
    let desk = DeskRun::start(book.path());
    // The address by which others would reach this computer; nothing is sent.
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).unwrap();
    let outward = socket
        .connect("192.0.2.1:9")
        .and_then(|()| socket.local_addr());
    let Ok(outward) = outward else {
        return;
    };
    if outward.ip().is_loopback() {
        return;
    }
    let there = SocketAddr::new(outward.ip(), desk.port);
    assert!(TcpStream::connect_timeout(&there, Duration::from_secs(5)).is_err());
    assert!(TcpStream::connect(("127.0.0.1", desk.port)).is_ok());
}

#[test]
fn no_path_reaches_a_file() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    for path in [
        "/../compband.toml",
        "/%2e%2e/compband.toml",
        "/compband.toml",
        "/price/../compband.toml",
        "/price/..%2fcompband.toml",
        "/comps/logged.csv",
        "//compband.toml",
        "/price/compband.toml",
        "/stock/%2fetc%2fpasswd",
        "/work/../price",
        "/work/1",
        "/price%00",
        "/./price/.",
    ] {
        let answer = desk.get(path);
        assert!([400, 404].contains(&answer.status), "{path}: {answer:?}");
        assert!(!answer.body.contains("[deal]") && !answer.body.contains("root:"));
    }
    // Values of fields are no paths either.
    for value in ["../compband.toml", "/etc/passwd", "file:///etc/passwd"] {
        let answer = desk.page(&format!("/price?model={value}&unit="));
        assert!(!answer.body.contains("[deal]") && !answer.body.contains("root:"));
    }
}

/// Text that is markup, script or an entity if it is not escaped, in a name of a model, of a piece and so on.
const EVIL: &str = "<img src=x onerror=alert(1)>\"'&amp;</script>";

#[test]
fn every_text_is_escaped() {
    let book = demo();
    let dir = book.path();
    let model = format!("Odd {EVIL}");
    for price in ["100", "110", "120", "130"] {
        let unit = [
            "log",
            "--model",
            &model,
            "--price",
            price,
            "--sold-on",
            "2026-11-01",
            "--variant",
            EVIL,
            "--missing",
            EVIL,
            "--extra",
            EVIL,
            "--defect",
            EVIL,
            "--venue",
            EVIL,
            "--note",
            EVIL,
        ];
        out(dir, &unit);
    }
    let desk = DeskRun::open(dir);
    let query = super::encoded(&[("model", &model), ("variant", EVIL), ("missing", EVIL)]);
    let wrong = super::encoded(&[("model", EVIL), ("grade", EVIL), ("as_of", EVIL)]);
    let unit = super::encoded(&[("unit", EVIL)]);
    let mut answers = Vec::new();
    for view in VIEWS {
        answers.push(followed(&desk, view));
        for query in [&query, &wrong, &unit] {
            answers.push(followed(&desk, &format!("{view}?{query}")));
        }
        answers.push(desk.post(view, &[("model", &model), ("against", EVIL)]));
    }
    answers.push(desk.get(&format!("/{}", EVIL.replace(' ', "%20"))));
    let shown = answers
        .iter()
        .filter(|one| one.body.contains("&lt;img"))
        .count();
    assert!(shown > 3, "{shown}");
    for answer in &answers {
        assert!(!answer.body.contains("<img src=x"), "{answer:?}");
        assert!(!answer.body.contains("\"x onerror"), "{answer:?}");
    }
    let names = desk.get("/price/models?q=odd");
    assert_eq!(names.header("content-type"), "application/json");
    let names: serde_json::Value = serde_json::from_str(&names.body).unwrap();
    assert!(
        names[0][0].as_str().unwrap().starts_with("Odd <img"),
        "{names}"
    );
}

/// Fields that hold amounts.
const AMOUNTS: [&str; 26] = [
    "price",
    "ask",
    "asked",
    "offer",
    "amount",
    "cost",
    "in_all",
    "inbound",
    "fees",
    "fees_back",
    "sending",
    "shipping",
    "for",
    "per_km",
    "salvage",
    "wage",
    "premium",
    "premium_fixed",
    "profit",
    "bankroll",
    "against",
    "listings",
    "line",
    "parts_cost",
    "budget",
    "goal",
];

/// Names in the addresses that a page leads to: of links, and of the fields of forms that are sent as addresses.
fn in_addresses(body: &str) -> Vec<String> {
    let values = |text: &str, mark: &str| -> Vec<String> {
        let parts = text.split(mark).skip(1);
        parts
            .map(|part| part.split('"').next().unwrap().to_string())
            .collect()
    };
    let mut names: Vec<String> = Vec::new();
    for address in values(body, "href=\"")
        .into_iter()
        .chain(values(body, "action=\""))
    {
        let query = address.split_once('?').map_or("", |(_, query)| query);
        let query = query.replace("&amp;", "&");
        let fields = query.split('&').filter(|field| !field.is_empty());
        names.extend(fields.map(|field| field.split('=').next().unwrap().to_string()));
    }
    for form in body.split("<form").skip(1) {
        let form = form.split("</form>").next().unwrap();
        if form.split('>').next().unwrap().contains("method=\"get\"") {
            names.extend(values(form, " name=\""));
        }
    }
    names
}

/// What a browser remembers of the pages, and what the program prints, has no amounts.
#[test]
fn no_amount_stands_in_an_address_or_is_printed() {
    let book = demo();
    let dir = book.path();
    out(dir, &["ledger", "fund", "731.07"]);
    out(
        dir,
        &["buy", "Nulva 61K", "--price", "41.07", "--grade", "B"],
    );
    let desk = DeskRun::open(dir);
    let unit = "model=Nulva+61K&grade=B";
    let mut pages: Vec<String> = VIEWS.map(String::from).to_vec();
    pages.extend(["/price", "/buy", "/sell", "/sales"].map(|view| format!("{view}?{unit}")));
    pages.extend(["/sell?unit=d1", "/stock?deal=d1"].map(String::from));
    let happened = [
        "buy", "fund", "draw", "overhead", "part", "drop", "reverse", "spend", "list", "unlist",
        "sold", "use", "harvest", "scrap", "refund", "describe",
    ];
    pages.extend(happened.map(|word| format!("/stock?record={word}&deal=d1")));
    let mut answers: Vec<Answer> = pages.iter().map(|page| followed(&desk, page)).collect();
    answers.push(desk.post(
        "/buy",
        &[
            ("model", "Nulva 61K"),
            ("against", "66.07"),
            ("inbound", "5.07"),
        ],
    ));
    answers.push(desk.post("/sell", &[("unit", "d1"), ("offer", "122.07")]));
    let mut seen = 0;
    for answer in &answers {
        let names = in_addresses(&answer.body);
        seen += names.len();
        for name in &names {
            assert!(!AMOUNTS.contains(&&**name), "{name}: {answer:?}");
        }
    }
    assert!(seen > 100, "{seen}");
    for (page, path, fields) in [
        (
            "/stock?record=fund",
            "/stock/do",
            vec![("record", "fund"), ("amount", "12.07")],
        ),
        (
            "/stock?record=list&deal=d1",
            "/stock/do",
            vec![("record", "list"), ("deal", "d1"), ("ask", "151.07")],
        ),
    ] {
        let answer = desk.act(page, path, &fields);
        assert_eq!(answer.status, 303, "{answer:?}");
        let address = answer.header("location");
        assert!(
            !address.contains("07") && !address.contains("amount"),
            "{address}"
        );
    }
    assert_eq!(desk.said(), "");
}

#[test]
fn methods_that_no_page_uses_are_refused() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let origin = format!("http://{}", desk.host());
    let host = desk.host();
    let headers = [
        ("Host", &*host),
        ("Cookie", &desk.cookie),
        ("Origin", &origin),
    ];
    for method in [
        "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW",
    ] {
        let answer = desk.send(method, "/price", &headers, b"");
        assert!(
            [400, 403, 404, 405].contains(&answer.status),
            "{method}: {answer:?}"
        );
        assert_eq!(answer.header("access-control-allow-origin"), "");
    }
    for bytes in [
        &b"\x16\x03\x01\x02\x00"[..],
        b"GET\r\n\r\n",
        b"\0\0\0\0\r\n\r\n",
    ] {
        let said = String::from_utf8_lossy(&desk.raw(bytes)).into_owned();
        assert!(
            said.is_empty() || said.starts_with("HTTP/1.1 400"),
            "{said}"
        );
    }
    desk.page("/price");
}
