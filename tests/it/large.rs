//! Books large enough for a cache: whatever way comps are read, they are the same.

use std::collections::HashSet;
use std::fs::{self, File, FileTimes};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use compband::book::frame::FrameRows;
use compband::book::store::Book;
use compband::book::{BookError, Index, Problem, comp};
use polars::prelude::{ChunkAgg, ChunkUnique, DataFrame};
use tempfile::TempDir;

use crate::runner::{fails, out, run, stderr};

const MODELS: u32 = 350;

fn row(id: &str, day: &str, model: &str, price: &str) -> String {
    format!("{id},{day},{model},,full,B,,,,yes,{price},4.90,EUR,fixed,fair,1,\n")
}

fn import_file(dir: &Path, name: &str, rows: &str) {
    let path = dir.join("comps").join(name);
    fs::write(&path, format!("{}\n{rows}", comp::COLUMNS.join(","))).unwrap();
    age(&path);
}

/// Makes a file old enough to be sure of.
fn age(path: &Path) {
    let old = SystemTime::now() - Duration::from_secs(3600);
    let file = File::options().write(true).open(path).unwrap();
    file.set_times(FileTimes::new().set_modified(old)).unwrap();
}

/// 21 000 sales of [`MODELS`] models, some spelled in two ways, of unequal numbers.
fn large_book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let rows: String = (0..21_000_u32)
        .map(|n| {
            let day = if n % 7 == 0 { "" } else { "2026-01-01" };
            let model = n.wrapping_mul(2_654_435_761) % MODELS % (1 + n % MODELS);
            let name = if n % 5 == 0 { "nerrow F" } else { "Nerrow F" };
            row(
                &format!("a{n:07}"),
                day,
                &format!("{name}{model}"),
                &format!("{}.00", 60 + n % 90),
            )
        })
        .collect();
    import_file(dir.path(), "000001-a.csv", &rows);
    dir
}

fn cached_table(dir: &Path) -> PathBuf {
    let mut tables: Vec<_> = fs::read_dir(dir.join(".compband/cache"))
        .unwrap()
        .map(|item| item.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "table"))
        .collect();
    assert_eq!(tables.len(), 1);
    tables.remove(0)
}

/// Everything that a book gives.
struct Given {
    whole: DataFrame,
    models: HashSet<String>,
    index: Index,
    among: Vec<(DataFrame, DataFrame)>,
}

fn given(book: &Book) -> Given {
    let asked = ["NERROW f4", "Nerrow F0", "Talvenne 1", "Nerrow F349"];
    let among = |model: &&str| {
        let wanted = |key: &str| !key.ends_with('3');
        book.frame_among(model, 12, &wanted, &mut |_| {}).unwrap()
    };
    Given {
        whole: book.frame(&mut |_| {}).unwrap(),
        models: book.models().unwrap().into_iter().collect(),
        index: book.index().unwrap(),
        among: asked.iter().map(among).collect(),
    }
}

impl Given {
    /// Two readings of one book.
    fn same_as(&self, other: &Self) {
        assert!(self.whole.equals_missing(&other.whole));
        assert_eq!(self.models, other.models);
        assert_eq!(self.index.len(), other.index.len());
        for id in self
            .whole
            .column("comp_id")
            .unwrap()
            .str()
            .unwrap()
            .iter()
            .flatten()
        {
            assert!(self.index.get(id).is_some(), "{id}");
            assert_eq!(self.index.get(id), other.index.get(id), "{id}");
        }
        assert_eq!(self.index.get("none"), None);
        for (here, there) in self.among.iter().zip(&other.among) {
            let known = here.0.column("entry").unwrap().i64().unwrap().max() > Some(0)
                && there.0.height() < other.whole.height();
            // Of an unknown model only the names of the others are told.
            if known {
                assert!(here.0.equals_missing(&there.0));
            }
            assert!(here.1.equals_missing(&there.1));
        }
    }

    /// The whole table cut by models, in any order.
    fn parts_of(&self, book: &Book) {
        type Seen = (usize, HashSet<String>);
        let add = &mut |(rows, seen): &mut Seen, part: DataFrame| {
            *rows += part.height();
            let keys = part.column("model_key")?.str()?.unique()?;
            for key in keys.iter().flatten() {
                assert!(seen.insert(key.to_string()), "{key} is in two parts");
            }
            Ok(())
        };
        let (rows, _): Seen = book.fold_models(&mut |_| {}, add).unwrap();
        assert_eq!(rows, self.whole.height());
    }
}

/// What a book without a cache gives, read in memory.
fn in_memory(dir: &Path) -> Given {
    let cache = dir.join(".compband/cache");
    let away = dir.join(".compband/away");
    fs::rename(&cache, &away).unwrap();
    fs::write(&cache, "in the way").unwrap();
    let given = given(&Book::open(Some(dir)).unwrap());
    fs::remove_file(&cache).unwrap();
    fs::rename(&away, &cache).unwrap();
    given
}

#[test]
fn the_cache_gives_what_the_files_give() {
    let dir = large_book();
    let book = Book::open(Some(dir.path())).unwrap();
    let made = given(&book);
    assert_eq!(made.index.len(), 21_000);
    assert_eq!(made.whole.column("sold_on").unwrap().null_count(), 3_000);
    let table = cached_table(dir.path());
    let cached = given(&book);
    cached.same_as(&made);
    cached.same_as(&in_memory(dir.path()));
    cached.parts_of(&book);
    assert!(cached.among[0].0.height() > 100 && cached.among[0].1.height() > 1_000);
    assert_eq!(
        cached.among[2]
            .0
            .column("grade")
            .unwrap()
            .str()
            .unwrap()
            .get(0),
        Some("")
    );
    fs::remove_dir_all(dir.path().join(".compband")).unwrap();
    given(&book).same_as(&made);
    assert_eq!(cached_table(dir.path()), table);
}

#[test]
fn what_comes_later_is_read_beside_the_cache() {
    let dir = large_book();
    let path = dir.path();
    let book = Book::open(Some(path)).unwrap();
    given(&book);
    let table = cached_table(path);
    let bytes = fs::read(&table).unwrap();
    // New sales, a new model, one whose model and one whose price was wrong.
    let later = [
        row("b1", "2026-02-01", "Nerrow F4", "70.00"),
        row("b2", "2026-02-01", "Talvenne 1", "71.00"),
        row("a0000003", "2026-02-01", "Talvenne 1", "72.00"),
        row("a0000005", "2026-02-01", "Nerrow F0", "73.00"),
    ];
    import_file(path, "000002-b.csv", &later.concat());
    let log = |model: &str, price: &str| {
        out(
            path,
            &[
                "log",
                "--model",
                model,
                "--price",
                price,
                "--sold-on",
                "2026-01-15",
            ],
        );
    };
    log("Nerrow F0", "74");
    log("Oskelde 9", "75");
    let beside = given(&book);
    assert_eq!(beside.index.len(), 21_004);
    beside.same_as(&in_memory(path));
    beside.parts_of(&book);
    assert_eq!(beside.among[2].0.height(), 2);
    // An older entry than the log's, which it does not replace.
    out(path, &["undo"]);
    log("Nerrow F7", "76");
    let older = row("a0000009", "2026-02-01", "Nerrow F1", "77.00");
    import_file(path, "000009-c.csv", &older);
    import_file(path, "000007-d.csv", &older.replace("77.00", "78.00"));
    given(&book).same_as(&in_memory(path));
    let found = book
        .comps_by_id(&["a0000009".into(), "a0000004".into(), "x".into()].into())
        .unwrap();
    assert_eq!(found.len(), 2);
    assert_eq!(found["a0000009"].price, 77.into());
    assert_eq!(
        fs::read(&table).unwrap().len(),
        bytes.len(),
        "the cache was made again"
    );
    assert!(
        fs::read(&table).unwrap() == bytes,
        "the cache was made again"
    );
    // Without an import that it was made of, it is of no use.
    fs::rename(
        path.join("comps/000001-a.csv"),
        path.join("comps/000001-z.csv"),
    )
    .unwrap();
    given(&book).same_as(&in_memory(path));
    assert_ne!(cached_table(path), table);
}

#[test]
fn a_damaged_cache_is_made_again() {
    let dir = large_book();
    let book = Book::open(Some(dir.path())).unwrap();
    let fresh = given(&book);
    let table = cached_table(dir.path());
    let label = dir.path().join(".compband/cache/comps.json");
    for path in [table, label] {
        let good = fs::read(&path).unwrap();
        for at in [
            0,
            9,
            good.len() / 3,
            good.len() / 2,
            good.len() - 9,
            good.len() - 1,
        ] {
            let mut flipped = good.clone();
            flipped[at] ^= 0x10;
            let damaged = [
                flipped,
                good[..at].to_vec(),
                [&good[..], b"more"].concat(),
                Vec::new(),
            ];
            for bytes in damaged {
                fs::write(&path, bytes).unwrap();
                given(&book).same_as(&fresh);
                assert!(fs::read(&path).unwrap() == good, "not made again at {at}");
            }
        }
    }
}

#[test]
fn a_cache_that_changes_while_it_is_read_is_made_again() {
    let dir = large_book();
    let book = Book::open(Some(dir.path())).unwrap();
    let fresh = given(&book);
    let table = cached_table(dir.path());
    // The label and the size are right, and yet every part is wrong.
    let size = fs::metadata(&table).unwrap().len();
    fs::write(&table, vec![7; size as usize]).unwrap();
    given(&book).same_as(&fresh);
}

#[test]
fn an_identifier_that_stands_twice_is_told_as_in_a_small_book() {
    let dir = large_book();
    let comps = dir.path().join("comps/000001-a.csv");
    let text = fs::read_to_string(&comps).unwrap();
    let twice = text.lines().nth(4_000).unwrap();
    fs::write(&comps, format!("{text}{twice}\n")).unwrap();
    let problems = |dir: &Path| -> Vec<Problem> {
        let book = Book::open(Some(dir)).unwrap();
        match book.frame(&mut |_| {}) {
            Err(BookError::Rows(problems)) => problems,
            other => panic!("{other:?}"),
        }
    };
    let small = tempfile::tempdir().unwrap();
    out(small.path(), &["init"]);
    let cut: Vec<&str> = text.lines().take(4_001).chain([twice]).collect();
    fs::write(small.path().join("comps/000001-a.csv"), cut.join("\n")).unwrap();
    let (found, expected) = (problems(dir.path()), problems(small.path()));
    assert_eq!((found.len(), expected.len()), (1, 1));
    assert_eq!((found[0].row, expected[0].row), (21_002, 4_002));
    assert_eq!(
        Problem {
            row: 4_002,
            ..found[0].clone()
        },
        expected[0]
    );
    assert!(expected[0].expected.contains("row 4001"), "{expected:?}");
}

#[test]
fn changed_files_and_settings_leave_the_cache_behind() {
    let dir = large_book();
    let book = Book::open(Some(dir.path())).unwrap();
    book.frame(&mut |_| {}).unwrap();
    let path = dir.path().join("comps/000001-a.csv");
    let edited = fs::read_to_string(&path)
        .unwrap()
        .replacen(",60.00,", ",700.00,", 1);
    fs::write(&path, edited).unwrap();
    age(&path);
    let prices = |book: &Book| {
        let frame = book.frame(&mut |_| {}).unwrap();
        let rows = FrameRows::new(&frame, &book.settings().currency).unwrap();
        (0..rows.len())
            .filter(|&at| rows.comp(at).price == 700.into())
            .count()
    };
    assert_eq!(prices(&book), 1);
    out(
        dir.path(),
        &[
            "log",
            "--model",
            "Nerrow F4",
            "--price",
            "700",
            "--sold-on",
            "2026-01-15",
        ],
    );
    assert_eq!(prices(&book), 2);
    assert_eq!(prices(&book), 2);
    fs::write(dir.path().join("compband.toml"), "currency = \"USD\"").unwrap();
    assert!(fails(dir.path(), 3, &["comps"]).contains("column currency"));
}

#[test]
fn a_cache_that_cannot_be_written_is_only_a_notice() {
    let dir = large_book();
    fs::write(dir.path().join(".compband/cache"), "in the way").unwrap();
    let read = run(dir.path(), &["models"]);
    assert!(read.status.success(), "{}", stderr(&read));
    assert!(
        stderr(&read).contains("cache of this book cannot be written"),
        "{}",
        stderr(&read)
    );
}
