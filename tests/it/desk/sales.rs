//! Sales: a line, a form, a sheet and undo write what the commands write, and ask what they would ask.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::{Answer, DeskRun};
use crate::estimate::demo;
use crate::runner::{copied, everything, out};

fn twin(book: &Path) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    copied(book, dir.path());
    dir
}

/// What a book holds, without the lock and the cache.
fn content(dir: &Path) -> BTreeMap<PathBuf, Option<Vec<u8>>> {
    let mut all = everything(dir);
    all.retain(|path, bytes| bytes.is_some() && !path.starts_with(".compband"));
    all
}

fn same(one: &TempDir, other: &TempDir) {
    let (one, other) = (content(one.path()), content(other.path()));
    let names = |all: &BTreeMap<PathBuf, Option<Vec<u8>>>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&one), names(&other));
    for (path, bytes) in &one {
        let text =
            |bytes: &Option<Vec<u8>>| String::from_utf8_lossy(bytes.as_ref().unwrap()).into_owned();
        assert_eq!(text(bytes), text(&other[path]), "{}", path.display());
    }
}

const LINE: &str = "Bolv 83V B usable -earphones +\"spare battery\" 120+4.90 yesterday auction x2";

#[test]
fn a_line_and_a_form_write_what_the_command_writes() {
    let by_page = demo();
    let by_command = twin(by_page.path());
    let desk = DeskRun::open(by_page.path());
    let answer = desk.act("/sales", "/sales/do", &[("do", "line"), ("line", LINE)]);
    assert_eq!(answer.status, 303, "{}", answer.body);
    out(by_command.path(), &["log", LINE]);
    same(&by_page, &by_command);
    let page = desk.page(answer.header("location"));
    assert!(
        page.body.contains("Recorded (sale record "),
        "{}",
        page.body
    );
    let form = [
        ("do", "sale"),
        ("model", "Tumrik QN 948"),
        ("price", "48"),
        ("shipping", "free"),
        ("sold_on", "2026-11-02"),
        ("missing", "charger"),
        ("missing", "cable x2"),
        ("set.storage", "256"),
        ("parts", "yes"),
        ("venue", "a stall"),
        ("note", "=1+1 <b>"),
    ];
    let answer = desk.act("/sales?by=form&model=Tumrik+QN+948", "/sales/do", &form);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let command = [
        "log",
        "--model",
        "Tumrik QN 948",
        "--price",
        "48",
        "--shipping",
        "free",
        "--sold-on",
        "2026-11-02",
        "--missing",
        "charger; cable x2",
        "--set",
        "storage=256",
        "--parts",
        "--venue",
        "a stall",
        "--note",
        "=1+1 <b>",
    ];
    out(by_command.path(), &command);
    same(&by_page, &by_command);
    // The same once more is asked about, and recorded only as another one.
    let again = desk.act("/sales?by=form&model=Tumrik+QN+948", "/sales/do", &form);
    assert!(
        again.status == 200 && again.body.contains("Is this another one?"),
        "{}",
        again.body
    );
    assert!(
        again.body.contains("value=\"=1+1 &lt;b&gt;\""),
        "{}",
        again.body
    );
    same(&by_page, &by_command);
    let more: Vec<(&str, &str)> = form.into_iter().chain([("again", "yes")]).collect();
    assert_eq!(
        desk.act("/sales?by=form&model=Tumrik+QN+948", "/sales/do", &more)
            .status,
        303
    );
    out(by_command.path(), &[&command[..], &["--again"]].concat());
    same(&by_page, &by_command);
    // Undo is that of the command.
    let ask = desk.page("/sales?undo=last");
    let entry = ask.hidden("entry");
    same(&by_page, &by_command);
    let undo = [("do", "undo"), ("entry", entry.as_str())];
    assert_eq!(desk.act("/sales?undo=last", "/sales/do", &undo).status, 303);
    out(by_command.path(), &["undo"]);
    same(&by_page, &by_command);
    // Of one that is no longer the last, nothing.
    let late = desk.act("/sales?undo=last", "/sales/do", &undo);
    assert!(
        late.status == 200 && late.body.contains("is no longer the last"),
        "{}",
        late.body
    );
    same(&by_page, &by_command);
}

#[test]
fn doubts_about_a_line_are_asked_and_not_guessed() {
    let by_page = demo();
    let by_command = twin(by_page.path());
    let desk = DeskRun::open(by_page.path());
    let line = "Bolv 83V 120 130 zebra";
    let asked = desk.act("/sales", "/sales/do", &[("do", "line"), ("line", line)]);
    assert_eq!(asked.status, 200);
    for part in [
        "name=\"means:one:price\" value=\"120.00\" required",
        "name=\"means:what:zebra\" value=\"note\" required",
    ] {
        assert!(asked.body.contains(part), "{part}: {}", asked.body);
    }
    assert!(!asked.body.contains(" checked"), "{}", asked.body);
    same(&by_page, &by_command);
    // One answer leads to the next question: the other price is then a word without a meaning.
    let one = [
        ("do", "line"),
        ("line", line),
        ("means:one:price", "120.00"),
    ];
    let asked = desk.act("/sales", "/sales/do", &one);
    assert!(
        asked.status == 200 && asked.body.contains("name=\"means:what:130 zebra\""),
        "{}",
        asked.body
    );
    let all = [
        ("do", "line"),
        ("line", line),
        ("means:one:price", "120.00"),
        ("means:what:130 zebra", "note"),
    ];
    let answer = desk.act("/sales", "/sales/do", &all);
    assert_eq!(answer.status, 303, "{}", answer.body);
    out(
        by_command.path(),
        &["log", "Bolv 83V 120", "note=\"130 zebra\""],
    );
    same(&by_page, &by_command);
    // What a line lacks is asked in fields of its own.
    let asked = desk.act(
        "/sales",
        "/sales/do",
        &[("do", "line"), ("line", "Bolv 83V B")],
    );
    assert!(
        asked.status == 200 && asked.body.contains("id=\"f-price\""),
        "{}",
        asked.body
    );
    let priced = [("do", "line"), ("line", "Bolv 83V B"), ("price", "31")];
    assert_eq!(desk.act("/sales", "/sales/do", &priced).status, 303);
    out(by_command.path(), &["log", "Bolv 83V B", "--price", "31"]);
    same(&by_page, &by_command);
}

/// The body of a form with a file.
fn multipart(name: &str, bytes: &[u8]) -> Vec<u8> {
    let head = format!(
        "--edge\r\nContent-Disposition: form-data; name=\"text\"\r\n\r\n\r\n--edge\r\nContent-Disposition: form-data; \
         name=\"file\"; filename=\"{name}\"\r\nContent-Type: application/octet-stream\r\n\r\n"
    );
    [head.as_bytes(), bytes, b"\r\n--edge--\r\n"].concat()
}

/// Sends a file as the page does; the address that shows it.
fn upload(desk: &DeskRun, name: &str, bytes: &[u8]) -> String {
    let (host, origin) = (desk.host(), format!("http://{}", desk.host()));
    let headers = [
        ("Host", host.as_str()),
        ("Cookie", &desk.cookie),
        ("Origin", &origin),
        ("Content-Type", "multipart/form-data; boundary=edge"),
    ];
    let answer = desk.send("POST", "/sales/sheet", &headers, &multipart(name, bytes));
    assert_eq!(answer.status, 303, "{}", answer.body);
    read(desk, answer.header("location")).0
}

/// The page to which a work leads, with its address; the work itself if it was cancelled.
fn read(desk: &DeskRun, work: &str) -> (String, Answer) {
    let begun = Instant::now();
    let mut address = work.to_string();
    loop {
        let page = desk.get(&address);
        match page.status {
            303 => address = page.header("location").to_string(),
            200 if !page.body.contains("data-poll=") => return (address, page),
            200 => std::thread::sleep(Duration::from_millis(20)),
            _ => panic!("{page:?}"),
        }
        assert!(begun.elapsed() < Duration::from_secs(120), "{page:?}");
    }
}

const SHEET: &str = "When gone,Thing,State,Got,Colour note\n2026-11-01,Nulva 61K,vg,150,x\n2026-11-02,Nulva 61KK,vg,140,\n\
                     2026-11-03,Bolv 83V,A,35,<i>\n";

#[test]
fn a_sheet_is_tried_asked_about_and_imported_as_by_the_command() {
    let by_page = demo();
    let by_command = twin(by_page.path());
    fs::write(by_command.path().join("old sales.csv"), SHEET).unwrap();
    let desk = DeskRun::open(by_page.path());
    let address = upload(&desk, "../../old sales.csv", SHEET.as_bytes());
    let (path, id) = address.split_once("sheet=").unwrap();
    assert_eq!(path, "/sales?");
    // Without the columns that it needs, nothing can be said of its rows.
    assert!(read(&desk, &address).1.body.contains("cannot be read so"));
    let columns = "When gone=sold_on; Thing=model; State=grade; Got=price";
    let said = |more: &[(&'static str, &'static str)]| {
        let answer = desk.post("/sales/sheet", &[&[("sheet", id)], more].concat());
        assert_eq!(answer.status, 303, "{}", answer.body);
        read(&desk, answer.header("location")).1
    };
    let page = said(&[("columns", columns)]);
    for part in [
        "name=\"word:grade:vg\" value=\"B\"",
        "in 2 rows, first in row 2",
        "Colour note",
        "not used",
        "2 problems",
    ] {
        assert!(page.body.contains(part), "{part}: {}", page.body);
    }
    assert!(
        !page.body.contains(">Import</button>") && !page.body.contains("<i>"),
        "{}",
        page.body
    );
    let page = said(&[("word:grade:vg", "B")]);
    assert!(
        page.body
            .to_lowercase()
            .contains("name=\"word:model:nulva 61kk\" value=\"nulva 61k\""),
        "{}",
        page.body
    );
    let page = said(&[("word:model:Nulva 61KK", "Nulva 61K")]);
    assert!(
        page.body.contains(">Import</button>") && page.body.contains("3 sales would be added"),
        "{}",
        page.body
    );
    // Nothing is written before the button.
    let mut before = content(by_command.path());
    before.remove(Path::new("old sales.csv"));
    assert_eq!(content(by_page.path()), before);
    let (seen, once) = (page.hidden("seen"), page.hidden("once"));
    let go = [
        ("do", "import"),
        ("sheet", id),
        ("seen", &seen),
        ("once", &once),
    ];
    let done = desk.post("/sales/do", &go);
    assert_eq!(done.status, 303, "{}", done.body);
    let page = read(&desk, done.header("location")).1;
    assert!(
        page.body.contains("Imported") && page.body.contains("3 sales added"),
        "{}",
        page.body
    );
    let command = [
        "import",
        "old sales.csv",
        "--map",
        "When gone=sold_on",
        "--map",
        "Thing=model",
        "--map",
        "State=grade",
        "--map",
        "Got=price",
        "--value",
        "grade:vg=B",
        "--value",
        "model:Nulva 61KK=Nulva 61K",
    ];
    out(by_command.path(), &command);
    fs::remove_file(by_command.path().join("old sales.csv")).unwrap();
    same(&by_page, &by_command);
    // Sent again, it writes nothing more.
    assert_eq!(desk.post("/sales/do", &go).status, 303);
    same(&by_page, &by_command);
}

#[test]
fn wrong_rows_are_set_aside_in_memory_and_pasted_text_is_a_sheet() {
    let by_page = demo();
    let by_command = twin(by_page.path());
    let rows = "sold_on,model,price\n2026-11-01,Nulva 61K,150\nsoon,Nulva 61K,140\n";
    let outside = tempfile::tempdir().unwrap();
    let file = outside.path().join("pasted.csv");
    fs::write(&file, rows).unwrap();
    let desk = DeskRun::open(by_page.path());
    let taken = desk.post("/sales/sheet", &[("text", rows)]);
    let address = read(&desk, taken.header("location")).0;
    let id = address.split_once("sheet=").unwrap().1;
    assert!(read(&desk, &address).1.body.contains("1 problem"));
    desk.post("/sales/sheet", &[("sheet", id), ("keep_good", "yes")]);
    let page = read(&desk, &address).1;
    let (seen, once) = (page.hidden("seen"), page.hidden("once"));
    let go = [
        ("do", "import"),
        ("sheet", id),
        ("seen", &seen),
        ("once", &once),
    ];
    assert_eq!(desk.post("/sales/do", &go).status, 303);
    let page = read(&desk, &address).1;
    assert!(
        page.body.contains("/sales/rejected?sheet="),
        "{}",
        page.body
    );
    let aside = desk.page(&format!("/sales/rejected?sheet={id}")).body;
    out(
        by_command.path(),
        &["import", &file.display().to_string(), "--keep-good"],
    );
    let expected = fs::read_to_string(outside.path().join("pasted-rejected.csv")).unwrap();
    assert_eq!(aside, expected);
    same(&by_page, &by_command);
    let empty = desk.post("/sales/sheet", &[("text", "")]);
    assert!(
        empty.status == 200 && empty.body.contains("Choose a file"),
        "{}",
        empty.body
    );
    let odd = upload(&desk, "x.xlsx", b"PK\x03\x04 no workbook");
    assert!(read(&desk, &odd).1.body.contains("cannot be read so"));
}

/// A large sheet shows how far it is and can be cancelled: then nothing is written. Not cancelled, it is imported
/// whole.
#[test]
fn a_large_sheet_can_be_cancelled() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let mut rows = String::from("sold_on,model,price\n");
    for n in 0..100_000_u32 {
        let price = 100 + n % 97;
        rows.push_str(&format!(
            "2026-0{}-{:02},Model {},{price}.50\n",
            1 + n % 9,
            1 + n % 28,
            n % 50
        ));
    }
    let desk = DeskRun::open(dir.path());
    let before = content(dir.path());
    let address = upload(&desk, "large.csv", rows.as_bytes());
    let id = address.split_once("sheet=").unwrap().1;
    let page = read(&desk, &address).1;
    assert!(
        page.body.contains("100000 sales would be added"),
        "{}",
        page.body
    );
    let (seen, once) = (page.hidden("seen"), page.hidden("once"));
    let go = [
        ("do", "import"),
        ("sheet", id),
        ("seen", &seen),
        ("once", &once),
    ];
    let work = desk.post("/sales/do", &go).header("location").to_string();
    assert!(work.starts_with("/work/"), "{work}");
    desk.post(&format!("{work}/cancel"), &[]);
    let page = read(&desk, &work).1;
    if page.body.contains("cancelled. Nothing was changed.") {
        assert_eq!(content(dir.path()), before);
    } else {
        // It was quicker than the button.
        assert!(page.body.contains("100000 sales added"), "{}", page.body);
        assert_eq!(content(dir.path()).len(), before.len() + 1);
    }
}
