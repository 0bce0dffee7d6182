//! Books large enough for a cache: whatever way comps are read, they are the same.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::fs::{self, File, FileTimes};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use compband::book::comps::frame::FrameRows;
use compband::book::store::Book;
use compband::book::{BookError, Index};
use compband::trade::{Problem, comp};
use polars::prelude::{ChunkAgg, ChunkUnique, Column, DataFrame, DataType, PlSmallStr, Series};
use polars_arrow::array::Array;
use polars_arrow::io::ipc::read::{FileReader, read_file_metadata};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use tempfile::TempDir;

use crate::runner::{fails, out, run, said, stderr};

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
            let name = if n % 5 == 0 { "nulva KT" } else { "Nulva KT" };
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

/// The files of the cached table: rows by model, identifiers, models.
fn cached_files(dir: &Path) -> Vec<PathBuf> {
    let mut files: Vec<_> = fs::read_dir(dir.join(".compband/cache"))
        .unwrap()
        .map(|item| item.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "arrow"))
        .collect();
    files.sort();
    let name = |path: &PathBuf| path.file_name().unwrap().to_str().unwrap().to_string();
    let names: Vec<String> = files.iter().map(name).collect();
    assert_eq!(names.len(), 3, "{names:?}");
    for (name, begins) in names.iter().zip(["comps-", "ids-", "models-"]) {
        assert!(name.starts_with(begins), "{names:?}");
    }
    files
}

fn cached_table(dir: &Path) -> PathBuf {
    cached_files(dir).remove(0)
}

/// Everything that a book gives.
struct Given {
    whole: DataFrame,
    models: HashSet<String>,
    index: Index,
    among: Vec<(DataFrame, DataFrame)>,
}

fn given(book: &Book) -> Given {
    let asked = ["NULVA kt4", "Nulva KT0", "Talvenne 1", "Nulva KT349"];
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

fn spellings(frame: &DataFrame) -> HashSet<String> {
    let models = frame.column("model").unwrap().str().unwrap();
    models.iter().flatten().map(str::to_string).collect()
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
            } else {
                assert_eq!(spellings(&here.0), spellings(&there.0));
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

/// An Arrow file as a whole, read by its footer.
fn arrow_file(path: &Path) -> DataFrame {
    let mut file = fs::File::open(path).unwrap();
    let metadata = read_file_metadata(&mut file).unwrap();
    let names: Vec<PlSmallStr> = metadata.schema.iter_names().cloned().collect();
    let mut chunks: Vec<Vec<Box<dyn Array>>> = vec![Vec::new(); names.len()];
    for batch in FileReader::new(file, metadata, None, None) {
        let arrays = batch.unwrap().into_arrays();
        chunks
            .iter_mut()
            .zip(arrays)
            .for_each(|(all, array)| all.push(array));
    }
    let columns = names.into_iter().zip(chunks);
    let columns = columns.map(|named| Column::from(Series::try_from(named).unwrap()));
    DataFrame::new_infer_height(columns.collect()).unwrap()
}

#[test]
fn the_cache_is_files_that_other_tools_open() {
    let dir = large_book();
    let book = Book::open(Some(dir.path())).unwrap();
    let whole = book.frame(&mut |_| {}).unwrap();
    let [rows, ids, models] = [0, 1, 2].map(|at| arrow_file(&cached_files(dir.path())[at]));
    assert_eq!(rows.shape(), whole.shape());
    assert_eq!(ids.height(), whole.height());
    let sum = |frame: &DataFrame, column: &str| {
        let column = frame.column(column).unwrap();
        column.cast(&DataType::Int64).unwrap().i64().unwrap().sum()
    };
    for column in ["price_minor", "content_hash", "line"] {
        assert_eq!(sum(&rows, column), sum(&whole, column), "{column}");
    }
    assert_eq!(sum(&models, "rows"), Some(21_000));
    let keys = rows.column("model_key").unwrap().str().unwrap().iter();
    let mut seen = HashSet::new();
    let mut last = None;
    for key in keys {
        assert!(key == last || seen.insert(key), "{key:?} is in two places");
        last = key;
    }
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
        row("b1", "2026-02-01", "Nulva KT4", "70.00"),
        row("b2", "2026-02-01", "Talvenne 1", "71.00"),
        row("a0000003", "2026-02-01", "Talvenne 1", "72.00"),
        row("a0000005", "2026-02-01", "Nulva KT0", "73.00"),
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
    log("Nulva KT0", "74");
    log("Oskelde 9", "75");
    let beside = given(&book);
    assert_eq!(beside.index.len(), 21_004);
    beside.same_as(&in_memory(path));
    beside.parts_of(&book);
    assert_eq!(beside.among[2].0.height(), 2);
    // An older entry than the log's, which it does not replace.
    out(path, &["undo"]);
    log("Nulva KT7", "76");
    let older = row("a0000009", "2026-02-01", "Nulva KT1", "77.00");
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
    let label = dir.path().join(".compband/cache/comps.json");
    for path in cached_files(dir.path()).into_iter().chain([label]) {
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
    // The label and the size are right, and yet every part of one file is wrong.
    for file in cached_files(dir.path()) {
        let size = fs::metadata(&file).unwrap().len();
        fs::write(&file, vec![7; size as usize]).unwrap();
        given(&book).same_as(&fresh);
    }
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
            "Nulva KT4",
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

#[test]
fn models_whose_sales_have_all_been_replaced_are_gone() {
    let dir = large_book();
    let path = dir.path();
    let comps = path.join("comps/000001-a.csv");
    // The only sale of one model, and the only one of its spelling of another.
    let more = row("z1", "2026-01-01", "Talvenne 7", "60.00")
        + &row("z2", "2026-01-01", "NULVA KT0", "61.00");
    let text = fs::read_to_string(&comps).unwrap();
    fs::write(&comps, text + &more).unwrap();
    age(&comps);
    let book = Book::open(Some(path)).unwrap();
    let has = |name: &str| book.models().unwrap().iter().any(|known| known == name);
    assert!(has("Talvenne 7") && has("NULVA KT0"));
    let table = cached_table(path);
    let moved = row("z1", "2026-01-01", "Nulva KT1", "60.00")
        + &row("z2", "2026-01-01", "Nulva KT0", "61.00");
    import_file(path, "000002-b.csv", &moved);
    assert!(!has("Talvenne 7") && !has("NULVA KT0") && has("Nulva KT0"));
    let beside = given(&book);
    beside.same_as(&in_memory(path));
    beside.parts_of(&book);
    let (own, _) = book
        .frame_among("Talvenne 7", 0, &|_| false, &mut |_| {})
        .unwrap();
    let names = own.column("model_key").unwrap().str().unwrap();
    assert!(names.iter().flatten().all(|key| key != "talvenne7"));
    assert_eq!(cached_table(path), table, "the cache was made again");
}

#[test]
fn a_file_that_holds_every_row_twice_is_told_row_by_row() {
    let dir = large_book();
    let comps = dir.path().join("comps/000001-a.csv");
    let text = fs::read_to_string(&comps).unwrap();
    let (_, rows) = text.split_once('\n').unwrap();
    fs::write(&comps, format!("{text}{rows}")).unwrap();
    let book = Book::open(Some(dir.path())).unwrap();
    let Err(BookError::Rows(problems)) = book.frame(&mut |_| {}) else {
        panic!("taken");
    };
    assert_eq!(problems.len(), 21_000);
    for (problem, row) in problems.iter().zip(21_002..) {
        assert_eq!(problem.row, row);
        let first = format!("row {} has it too", row - 21_000);
        assert!(problem.expected.ends_with(&first), "{problem:?}");
    }
}

#[test]
fn everything_that_is_wrong_is_told_at_once() {
    let dir = large_book();
    let comps = dir.path().join("comps/000001-a.csv");
    let text = fs::read_to_string(&comps).unwrap();
    let twice = text.lines().nth(4_000).unwrap();
    let wrong = twice.replacen("2026-01-01", "2026-13-01", 1);
    let wrong = wrong.replacen("a0003999", "y1", 1);
    assert!(wrong.contains("-13-") && wrong.contains("y1"));
    fs::write(&comps, format!("{text}{twice}\n{wrong}\n")).unwrap();
    let sale = ["log", "--model", "Nulva KT4", "--price", "7", "--sold-on"];
    let log = dir.path().join("comps/logged.csv");
    let small = tempfile::tempdir().unwrap();
    out(small.path(), &["init"]);
    out(small.path(), &[&sale[..], &["2026-01-15"]].concat());
    let logged = fs::read_to_string(small.path().join("comps/logged.csv")).unwrap();
    fs::write(
        &log,
        logged.replacen("1,", "4,", 1).replace(",7.00,", ",seven,"),
    )
    .unwrap();
    let book = Book::open(Some(dir.path())).unwrap();
    let Err(BookError::Rows(problems)) = book.frame(&mut |_| {}) else {
        panic!("taken");
    };
    let found: Vec<(&str, u64, &str)> = problems
        .iter()
        .map(|problem| (problem.file.as_str(), problem.row, problem.column.as_str()))
        .collect();
    let imported = "comps/000001-a.csv";
    let expected = [
        (imported, 21_002, "comp_id"),
        (imported, 21_003, "sold_on"),
        ("comps/logged.csv", 2, "price"),
    ];
    assert_eq!(found, expected);
}

#[test]
fn a_logged_sale_with_the_number_of_an_import_is_told() {
    for dir in [large_book(), tempfile::tempdir().unwrap()] {
        let path = dir.path();
        if !path.join("compband.toml").exists() {
            out(path, &["init"]);
        }
        import_file(path, "000002-b.csv", &row("b1", "", "Nulva KT4", "70.00"));
        let sale = ["log", "--model", "Nulva KT4", "--price", "7"];
        out(path, &[&sale[..], &["--sold-on", "2026-01-15"]].concat());
        out(path, &["models"]);
        let log = path.join("comps/logged.csv");
        let text = fs::read_to_string(&log).unwrap();
        fs::write(&log, text.replacen("\n3,", "\n2,", 1)).unwrap();
        for command in ["models", "undo"] {
            let told = fails(path, 3, &[command]);
            for part in ["comps/logged.csv", "row 2", "000002-b.csv"] {
                assert!(told.contains(part), "{command}: {told}");
            }
        }
        assert!(path.join("comps/000002-b.csv").exists());
    }
}

#[test]
fn a_large_book_of_blank_rows_is_empty() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let blank = format!("{}\n", ",".repeat(comp::COLUMNS.len() - 1));
    import_file(dir.path(), "000001-a.csv", &blank.repeat(70_000));
    let book = Book::open(Some(dir.path())).unwrap();
    for _ in 0..2 {
        let given = given(&book);
        assert!(given.index.is_empty() && given.models.is_empty());
        assert_eq!(given.whole.height(), 0);
        given.parts_of(&book);
    }
    cached_table(dir.path());
    import_file(
        dir.path(),
        "000002-b.csv",
        &row("b1", "", "Nulva KT4", "70.00"),
    );
    given(&book).same_as(&in_memory(dir.path()));
}

#[cfg(unix)]
#[test]
fn a_cache_that_is_a_link_to_elsewhere_is_not_written_and_does_no_harm() {
    let dir = large_book();
    let away = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(away.path(), dir.path().join(".compband/cache")).unwrap();
    let read = run(dir.path(), &["models"]);
    assert!(read.status.success(), "{}", stderr(&read));
    assert!(
        stderr(&read).contains("cache of this book cannot be written"),
        "{}",
        stderr(&read)
    );
    assert_eq!(fs::read_dir(away.path()).unwrap().count(), 0);
}

/// Identifiers with model and price.
type Sales = BTreeMap<String, (String, u32)>;

/// A book that is changed at random, and what should be in it.
struct Changing {
    dir: TempDir,
    dice: StdRng,
    /// What each brought.
    entries: BTreeMap<u64, Sales>,
    /// Counts up, so that nothing comes twice by chance.
    fresh: u32,
}

impl Changing {
    /// Just over the size from which a book has a cache.
    fn new(dice: StdRng) -> Self {
        let dir = tempfile::tempdir().unwrap();
        out(dir.path(), &["init"]);
        let mut book = Self {
            dir,
            dice,
            entries: BTreeMap::new(),
            fresh: 0,
        };
        let rows = (0..2_500).map(|_| book.new_sale()).collect();
        book.place(1, rows);
        book
    }

    fn path(&self) -> &Path {
        self.dir.path()
    }

    /// A model of few, spelled in one of several ways.
    fn model(&mut self) -> String {
        let name = ["Nulva KT", "nulva kt", "NULVA KT", "Talvenne "];
        let name = name[self.dice.random_range(0..name.len())];
        format!("{name}{}", self.dice.random_range(0..40))
    }

    fn new_sale(&mut self) -> (String, (String, u32)) {
        self.fresh += 1;
        let id = format!("n{:06}", self.fresh);
        (id, (self.model(), 50 + self.fresh))
    }

    /// The sales in force, with their entries.
    fn in_force(&self) -> BTreeMap<String, (u64, String, u32)> {
        let mut all = BTreeMap::new();
        for (entry, rows) in &self.entries {
            for (id, (model, price)) in rows {
                all.insert(id.clone(), (*entry, model.clone(), *price));
            }
        }
        all
    }

    /// New sales, and some of the book's as they are, at another price or of another model.
    fn sales(&mut self) -> Sales {
        // Logged sales have no note, so that they would be others.
        let known = self.in_force().into_iter();
        let known: Vec<_> = known.filter(|(id, _)| id.starts_with('n')).collect();
        let bulk = self.dice.random_bool(0.04);
        let count = if bulk {
            11_000
        } else {
            self.dice.random_range(0..40)
        };
        let mut sales: Sales = (0..count).map(|_| self.new_sale()).collect();
        for _ in 0..self.dice.random_range(1..60) {
            let (id, (_, model, price)) = known[self.dice.random_range(0..known.len())].clone();
            self.fresh += 1;
            let sale = match self.dice.random_range(0..3) {
                0 => (model, price),
                1 => (model, 50 + self.fresh),
                _ => (self.model(), price),
            };
            sales.insert(id, sale);
        }
        // All of one model may go to another.
        if self.dice.random_bool(0.3) {
            let (from, to) = (self.model(), self.model());
            let of = known
                .into_iter()
                .filter(|(_, (_, model, _))| *model == from);
            sales.extend(of.map(|(id, (_, _, price))| (id, (to.clone(), price))));
        }
        sales
    }

    fn text(sales: &Sales) -> String {
        let note = ["a note of some length"; 20].join(" ");
        let row = |(id, (model, price)): (&String, &(String, u32))| {
            let row = row(id, "2026-01-01", model, &format!("{price}.00"));
            format!("{}{note}\n", row.trim_end())
        };
        sales.iter().map(row).collect()
    }

    /// Puts a file of the book in place by hand.
    fn place(&mut self, entry: u64, sales: Sales) {
        import_file(
            self.path(),
            &format!("{entry:06}-a.csv"),
            &Self::text(&sales),
        );
        self.entries.insert(entry, sales);
    }

    fn import(&mut self) {
        let sales = self.sales();
        let sheet = self.path().join("a.csv");
        let header = comp::COLUMNS.join(",");
        fs::write(&sheet, format!("{header}\n{}", Self::text(&sales))).unwrap();
        let before = self.imports();
        out(self.path(), &["import", "a.csv"]);
        let known = self.in_force();
        let told = |(id, (model, price)): &(String, (String, u32))| {
            known
                .get(id)
                .is_none_or(|(_, m, p)| (m, p) != (model, price))
        };
        let changed: Sales = sales.into_iter().filter(told).collect();
        let new: Vec<u64> = self.imports().difference(&before).copied().collect();
        assert_eq!(new.len(), usize::from(!changed.is_empty()));
        self.entries
            .extend(new.first().map(|entry| (*entry, changed)));
    }

    /// Entries of the imports that are there.
    fn imports(&self) -> BTreeSet<u64> {
        let names = fs::read_dir(self.path().join("comps")).unwrap();
        let names = names.map(|item| item.unwrap().file_name().into_string().unwrap());
        names
            .filter_map(|name| name.get(..6)?.parse().ok())
            .collect()
    }

    fn log(&mut self) {
        let (_, (model, price)) = self.new_sale();
        let price_text = price.to_string();
        let sale = ["log", "--sold-on", "2026-01-15", "--price", &price_text];
        out(self.path(), &[&sale[..], &["--model", &model]].concat());
        let log = fs::read_to_string(self.path().join("comps/logged.csv")).unwrap();
        let mut cells = log.lines().last().unwrap().split(',');
        let entry = cells.next().unwrap().parse().unwrap();
        let id = cells.next().unwrap().to_string();
        // The program spells a model as the book does where there is one of it.
        let model = cells.nth(1).unwrap().to_string();
        self.entries.insert(entry, [(id, (model, price))].into());
    }

    fn undo(&mut self) {
        if self.entries.len() > 1 {
            out(self.path(), &["undo"]);
            self.entries.pop_last();
        }
    }

    /// An import is edited, or one with an unused number is put between the others.
    fn by_hand(&mut self) {
        let unused = |entry: &u64| !self.entries.contains_key(entry);
        let last = *self.entries.keys().last().unwrap();
        let gap = (2..last).find(unused);
        if let Some(entry) = gap.filter(|_| self.dice.random_bool(0.5)) {
            let sales = self.sales();
            return self.place(entry, sales);
        }
        let imports: Vec<u64> = self.imports().into_iter().collect();
        let entry = imports[self.dice.random_range(0..imports.len())];
        let mut sales = self.entries[&entry].clone();
        let at = self.dice.random_range(0..sales.len());
        self.fresh += 1;
        if let Some(sale) = sales.values_mut().nth(at) {
            sale.1 = 50 + self.fresh;
        }
        let name = fs::read_dir(self.path().join("comps"))
            .unwrap()
            .map(|item| item.unwrap().file_name().into_string().unwrap())
            .find(|name| name.starts_with(&format!("{entry:06}-")));
        let header = comp::COLUMNS.join(",");
        let path = self.path().join("comps").join(name.unwrap());
        fs::write(&path, format!("{header}\n{}", Self::text(&sales))).unwrap();
        age(&path);
        self.entries.insert(entry, sales);
    }

    fn spoil_cache(&mut self) {
        let cache = self.path().join(".compband/cache");
        match self.dice.random_range(0..3) {
            0 => fs::remove_dir_all(cache).unwrap(),
            1 => fs::remove_dir_all(self.path().join(".compband")).unwrap(),
            _ => {
                for item in fs::read_dir(cache).unwrap() {
                    let path = item.unwrap().path();
                    let mut bytes = fs::read(&path).unwrap();
                    if bytes.is_empty() {
                        continue;
                    }
                    let at = self.dice.random_range(0..bytes.len());
                    bytes[at] ^= 1 << self.dice.random_range(0..8);
                    fs::write(&path, bytes).unwrap();
                }
            }
        }
    }

    /// Does something, and says what.
    fn step(&mut self) -> &'static str {
        let (name, act): (_, fn(&mut Self)) = match self.dice.random_range(0..12) {
            0..5 => ("import", Self::import),
            5..8 => ("log", Self::log),
            8..10 => ("undo", Self::undo),
            10 => ("by hand", Self::by_hand),
            _ => ("spoil cache", Self::spoil_cache),
        };
        act(self);
        name
    }

    fn check(&mut self) {
        let book = Book::open(Some(self.path())).unwrap();
        let read = given(&book);
        read.same_as(&given(&book));
        read.same_as(&in_memory(self.path()));
        read.parts_of(&book);
        let rows = FrameRows::new(&read.whole, &book.settings().currency).unwrap();
        let entries = read.whole.column("entry").unwrap().i64().unwrap();
        let found: BTreeMap<_, _> = (0..rows.len())
            .map(|at| {
                let comp = rows.comp(at);
                let entry = entries.get(at).unwrap() as u64;
                (comp.comp_id, (entry, comp.model, comp.price))
            })
            .collect();
        let expected: BTreeMap<_, _> = self
            .in_force()
            .into_iter()
            .map(|(id, (entry, model, price))| (id, (entry, model, price.into())))
            .collect();
        assert_eq!(rows.len(), expected.len());
        for (id, sale) in &found {
            assert_eq!(Some(sale), expected.get(id), "{id}");
        }
        let asked: HashSet<String> = (0..20)
            .map(|_| format!("n{:06}", self.dice.random_range(0..=self.fresh)))
            .collect();
        let by_id = book.comps_by_id(&asked).unwrap();
        for id in asked {
            let there = by_id.get(&id).map(|comp| (&comp.model, comp.price));
            let wanted = expected.get(&id).map(|(_, model, price)| (model, *price));
            assert_eq!(there, wanted, "{id}");
        }
    }
}

/// As long as [`said`] by `COMPBAND_FUZZ_SECONDS` (a few seconds), drawn from `COMPBAND_FUZZ_SEED`.
#[test]
fn whatever_is_done_to_a_book_the_cache_gives_what_the_files_give() {
    let seed = said("COMPBAND_FUZZ_SEED").unwrap_or(20_261_125);
    let time = Duration::from_secs(said("COMPBAND_FUZZ_SECONDS").unwrap_or(4));
    let begun = Instant::now();
    let mut steps = 0;
    // A book of its own for each so many steps, for the bulk imports make it slow.
    for number in 0.. {
        let mut book = Changing::new(StdRng::seed_from_u64(seed + number));
        book.check();
        for step in 0..40 {
            if begun.elapsed() > time && steps >= 10 {
                return;
            }
            let done = book.step();
            println!("seed {}, step {step}: {done}", seed + number);
            book.check();
            steps += 1;
        }
    }
}

#[test]
fn readers_see_one_state_while_imports_come_and_go() {
    const IDS: u32 = 50;
    let mut changing = Changing::new(StdRng::seed_from_u64(1));
    let sales = |price: u32| -> Sales {
        let sale = |n| (format!("s{n:03}"), ("Oskelde 1".to_string(), price));
        (0..IDS).map(sale).collect()
    };
    changing.place(2, sales(1));
    let path = changing.path();
    let all = given(&Book::open(Some(path)).unwrap()).whole.height();
    let end = Instant::now() + Duration::from_secs(2);
    let goes_on = || Instant::now() < end;
    std::thread::scope(|scope| {
        let reader = || {
            let mut reads = 0;
            while goes_on() {
                let book = Book::open(Some(path)).unwrap();
                let frame = book.frame_of_model("Oskelde 1", &mut |_| {}).unwrap();
                assert_eq!(frame.height(), IDS as usize);
                let prices = frame.column("price_minor").unwrap().i64().unwrap();
                assert_eq!(prices.min(), prices.max());
                assert_eq!(book.frame(&mut |_| {}).unwrap().height(), all);
                assert_eq!(book.index().unwrap().len(), all);
                reads += 1;
            }
            reads
        };
        let readers: Vec<_> = (0..4).map(|_| scope.spawn(reader)).collect();
        for price in 2.. {
            if !goes_on() {
                break;
            }
            let header = comp::COLUMNS.join(",");
            let sheet = format!("{header}\n{}", Changing::text(&sales(price)));
            fs::write(path.join("a.csv"), sheet).unwrap();
            out(path, &["import", "a.csv"]);
            // The next reader makes the cache anew, of this import as well.
            let _ = fs::remove_file(path.join(".compband/cache/comps.json"));
            std::thread::sleep(Duration::from_millis(40));
            out(path, &["undo"]);
        }
        for reader in readers {
            assert!(reader.join().unwrap() > 0);
        }
    });
    let left = fs::read_dir(path.join(".compband/cache")).unwrap();
    let left = left.map(|item| item.unwrap().file_name().into_string().unwrap());
    assert!(left.into_iter().all(|name| !name.starts_with('.')));
    cached_table(path);
}
