//! Import: what a run over some files would change in the book, row by row, in one pass.
//!
//! The canonical form of every row that is new or changed goes to a writer as it is read, so
//! that memory holds the input, one chunk of output and a few bytes a row. Chunks of rows are
//! read in parallel; identifiers are settled in the order of the files.

use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::{self, Write};
use std::sync::atomic::{AtomicUsize, Ordering};

use chrono::NaiveDate;
use rust_decimal::Decimal;
use xxhash_rust::xxh3::{xxh3_64, xxh3_64_with_seed};

use crate::book::csv::canonical::{OptionalColumn, header, write_row};
use crate::book::csv::formula::{neutral, neutral_record};
use crate::book::ids::{IdMap, id_hash};
use crate::book::rates::Conversion;
use crate::settings::Settings;
use crate::sheets::facts::{Decided, Facts};
use crate::sheets::header::{Column, REASON};
use crate::sheets::records::{Cells, Raw};
use crate::sheets::row::{CellFault, RowReader};
use crate::sheets::{Fault, Input, Topic};
use crate::trade::comp::{COLUMNS, RowText};
use crate::trade::text::shorten;
use crate::trade::{Comp, Currency, Problem};

/// Text that a thread reads at a time.
const CHUNK_BYTES: usize = 1 << 18;
/// Chunks for each thread before they are put together.
const CHUNKS_EACH: usize = 6;
/// Updates that are kept to be shown old → new.
pub const SHOWN_UPDATES: usize = 20;

/// What an import is planned against.
pub struct Against<'a> {
    /// Settings of the book.
    pub settings: &'a Settings,
    /// Content hash of the comp in force with an identifier.
    pub existing: &'a (dyn Fn(&str) -> Option<u64> + Sync),
    /// Sales of more than a day after this are refused.
    pub today: NaiveDate,
    /// Where the rates of sales in other currencies come from.
    pub conversion: Conversion<'a>,
}

/// Hears what happens while an import is planned, in the order of the rows.
pub trait Witness {
    /// Something is wrong with a row, which is not taken.
    ///
    /// # Errors
    /// Where writing it down fails; this ends the run.
    fn problem(&mut self, problem: &Problem) -> io::Result<()>;

    /// A row that is not taken.
    ///
    /// # Errors
    /// As for [`Witness::problem`].
    fn reject(&mut self, input: &Input, reject: &Reject<'_>) -> io::Result<()> {
        let _ = (input, reject);
        Ok(())
    }

    /// So many bytes of text have been read in all.
    fn progress(&mut self, bytes: u64) {
        let _ = bytes;
    }
}

/// A row that is not taken.
#[derive(Debug, Clone, Copy)]
pub struct Reject<'a> {
    /// The row as it stands in the file, without its line end.
    pub text: &'a str,
    /// Whether its quotes are at fault, so that nobody knows where its cells end.
    pub flawed: bool,
    /// Why, in one line.
    pub reason: &'a str,
}

/// What was found in one file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FileCount {
    /// Rows with a sale, taken or not.
    pub rows: u64,
    /// Rows not taken.
    pub rejected: u64,
    /// Blank lines passed over.
    pub blank: u64,
    /// Headers passed over after the first.
    pub repeated_headers: u64,
    /// Rows like an earlier one of the file in all that was sold, counted as sales of their own.
    pub identical: u64,
    /// Rows with the identifier and content of an earlier one, passed over.
    pub repeated: u64,
    /// Sales taken whose day is not recorded.
    pub undated: u64,
    /// Row of the first of them.
    pub first_undated: Option<u64>,
    /// Sales taken that were paid in another currency.
    pub foreign: u64,
    /// Order of day and month and where it was learnt, if some date asked for it.
    pub date_order: Option<String>,
    /// Decimal mark and where it was learnt, if some amount asked for it.
    pub decimal_mark: Option<String>,
    /// Attributes that no family declares for some models, by their canonical names.
    pub undeclared: BTreeMap<String, Undeclared>,
}

/// The clean rows in which an attribute is recorded that no family of their models declares: it
/// is kept but does not inform estimates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undeclared {
    /// How many rows.
    pub rows: u64,
    /// The first of them.
    pub first: u64,
    /// Their models, as spelled in them.
    pub models: BTreeSet<String>,
    /// The lowest and the highest value.
    pub range: (Decimal, Decimal),
}

impl Undeclared {
    fn of(row: u64, model: &str, value: Decimal) -> Self {
        Self {
            rows: 1,
            first: row,
            models: BTreeSet::from([model.to_string()]),
            range: (value, value),
        }
    }

    /// Counts those of another part of the rows too.
    pub fn add(&mut self, other: Self) {
        self.rows += other.rows;
        self.first = self.first.min(other.first);
        self.models.extend(other.models);
        let (low, high) = other.range;
        self.range = (self.range.0.min(low), self.range.1.max(high));
    }
}

/// Puts what was found of attributes in one part of the rows to what was found in others.
pub fn add_undeclared(
    all: &mut BTreeMap<String, Undeclared>,
    part: impl IntoIterator<Item = (String, Undeclared)>,
) {
    for (attribute, found) in part {
        match all.get_mut(&attribute) {
            Some(known) => known.add(found),
            None => drop(all.insert(attribute, found)),
        }
    }
}

/// What an import would change.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// One for each input, in order.
    pub files: Vec<FileCount>,
    /// Comps the book does not have.
    pub new: u64,
    /// Comps the book has with other content.
    pub updated: u64,
    /// Comps the book has as they are.
    pub unchanged: u64,
    /// Problems told to the witness.
    pub problems: u64,
    /// The first updates, as they will be.
    pub updates: Vec<Comp>,
    /// Every model of the clean rows, as spelled in them.
    pub models: BTreeSet<String>,
}

/// What is counted of a sale that is taken.
#[derive(Clone, Copy)]
struct Kind {
    undated: bool,
    foreign: bool,
}

impl Kind {
    fn of(comp: &Comp) -> Self {
        Self {
            undated: comp.sold_on.is_none(),
            foreign: comp.foreign.is_some(),
        }
    }
}

impl FileCount {
    /// Counts a sale that is taken from this row.
    fn count(&mut self, kind: Kind, row: u64) {
        if kind.undated {
            self.undated += 1;
            self.first_undated.get_or_insert(row);
        }
        self.foreign += u64::from(kind.foreign);
    }
}

impl Plan {
    /// Rows that were written.
    pub fn written(&self) -> u64 {
        self.new + self.updated
    }
}

/// Reads every input, tells `witness` what is wrong and writes a canonical file of the rows that
/// are new or changed to `out`.
///
/// Identifiers are derived where a row has none; rows of one file that are alike are sales of
/// their own, while a row alike in another file is the same sale.
///
/// # Errors
/// Where `out` or `witness` fails.
pub fn plan(
    inputs: &[Input],
    against: &Against<'_>,
    out: &mut dyn Write,
    witness: &mut dyn Witness,
) -> io::Result<Plan> {
    let optional = optional_of(inputs, &against.settings.currency);
    out.write_all(&header_line(&optional)?)?;
    let mut merger = Merger {
        against,
        optional: &optional,
        out,
        witness,
        plan: Plan::default(),
        seen: IdMap::default(),
        done: 0,
    };
    for (number, input) in inputs.iter().enumerate() {
        merger.file(input, number as u32)?;
    }
    Ok(merger.plan)
}

/// The columns behind the fixed ones that some input has something for, in order.
fn optional_of(inputs: &[Input], currency: &Currency) -> Vec<OptionalColumn> {
    let columns = inputs.iter().flat_map(|input| &input.mapping.attributes);
    let attributes = columns.map(|(name, _)| OptionalColumn::Attribute(name.clone()));
    let foreign = inputs.iter().any(|input| input.has_other_than(currency));
    let rate = foreign
        .then_some(OptionalColumn::RATE)
        .into_iter()
        .flatten();
    let needed: BTreeSet<OptionalColumn> = rate.chain(attributes).collect();
    needed.into_iter().collect()
}

fn header_line(optional: &[OptionalColumn]) -> io::Result<Vec<u8>> {
    let mut writer = canonical_writer(Vec::new());
    writer.write_record(header(&COLUMNS, optional))?;
    writer.into_inner().map_err(|error| error.into_error())
}

/// A record that was read.
struct Outcome<'a> {
    raw: Raw<'a>,
    fate: Fate,
}

enum Fate {
    Blank,
    RepeatedHeader,
    Bad(Vec<(Problem, Option<Topic>)>),
    Good(Good),
}

/// A clean row and where its canonical text stands in the chunk.
struct Good {
    start: usize,
    end: usize,
    derived: bool,
    kind: Kind,
    id: u64,
    content: u64,
    existing: Option<u64>,
}

struct Chunk<'a> {
    outcomes: Vec<Outcome<'a>>,
    text: Vec<u8>,
}

/// Reads records of one input; its buffers serve one record after another.
struct ChunkReader<'a> {
    input: &'a Input,
    rows: RowReader<'a>,
    existing: &'a (dyn Fn(&str) -> Option<u64> + Sync),
    /// The columns behind the fixed ones that are written.
    optional: &'a [OptionalColumn],
    undeclared: BTreeMap<String, Undeclared>,
    /// Whether an attribute is declared for a model, by the hash of both names.
    declared: IdMap<bool>,
    cells: Cells,
    comp: Comp,
    faults: Vec<CellFault>,
    canonical: RowText,
    /// Models of clean rows, by the hash of their names.
    models: IdMap<String>,
}

impl<'a> ChunkReader<'a> {
    fn new(
        input: &'a Input,
        against: &'a Against<'a>,
        facts: &'a Facts<'a>,
        optional: &'a [OptionalColumn],
    ) -> Self {
        let conversion = &against.conversion;
        Self {
            input,
            rows: RowReader::new(input, against.settings, facts, against.today, conversion),
            existing: against.existing,
            optional,
            undeclared: BTreeMap::new(),
            declared: IdMap::default(),
            cells: Cells::new(input.delimiter),
            comp: Comp::blank(&against.settings.currency.code),
            faults: Vec::new(),
            canonical: RowText::default(),
            models: IdMap::default(),
        }
    }

    fn chunk<'r>(&mut self, raws: &[Raw<'r>]) -> Chunk<'r> {
        let mut writer = canonical_writer(Vec::with_capacity(CHUNK_BYTES + CHUNK_BYTES / 2));
        let outcomes = raws
            .iter()
            .map(|raw| Outcome {
                raw: *raw,
                fate: self.fate(raw, &mut writer),
            })
            .collect();
        Chunk {
            outcomes,
            text: writer.into_inner().unwrap_or_default(),
        }
    }

    fn fate(&mut self, raw: &Raw<'_>, writer: &mut csv::Writer<Vec<u8>>) -> Fate {
        self.cells.read(raw.text);
        if self.cells.all_blank() {
            return Fate::Blank;
        }
        if self.input.repeats_header(&self.cells) {
            return Fate::RepeatedHeader;
        }
        self.rows
            .read(raw, &self.cells, &mut self.comp, &mut self.faults);
        if !self.faults.is_empty() {
            return Fate::Bad(
                self.faults
                    .drain(..)
                    .map(|fault| problem(self.input, raw.line, fault))
                    .collect(),
            );
        }
        let model = &self.comp.model;
        self.models
            .entry(id_hash(model))
            .or_insert_with(|| model.clone());
        self.note_undeclared(raw.line);
        let derived = self.comp.comp_id.is_empty();
        if derived {
            self.settle_id(0);
        } else {
            self.canonical.fill(&self.comp);
        }
        let start = writer.get_ref().len();
        // Writing to memory does not fail.
        let _ = write_row(writer, &self.canonical, &self.comp, self.optional);
        let _ = writer.flush();
        Fate::Good(Good {
            start,
            end: writer.get_ref().len(),
            derived,
            kind: Kind::of(&self.comp),
            id: xxh3_64(self.comp.comp_id.as_bytes()),
            content: self.canonical.content_hash(),
            existing: (self.existing)(&self.comp.comp_id),
        })
    }

    /// Counts attributes of the comp that no family of its model declares.
    fn note_undeclared(&mut self, row: u64) {
        let model = &self.comp.model;
        for (name, value) in self.comp.attributes.iter() {
            let both = xxh3_64_with_seed(model.as_bytes(), id_hash(name));
            let known = self.declared.entry(both);
            if *known.or_insert_with(|| self.rows.declared(model, name).is_some()) {
                continue;
            }
            match self.undeclared.get_mut(name) {
                Some(found) => {
                    found.rows += 1;
                    found.range = (found.range.0.min(value), found.range.1.max(value));
                    if !found.models.contains(model) {
                        found.models.insert(model.clone());
                    }
                }
                None => {
                    let found = Undeclared::of(row, model, value);
                    self.undeclared.insert(name.to_string(), found);
                }
            }
        }
    }

    /// Gives the comp the identifier of its content and `occurrence`.
    fn settle_id(&mut self, occurrence: u32) {
        self.comp.comp_id.clear();
        self.canonical.fill(&self.comp);
        self.comp.comp_id = self.canonical.derive_id(occurrence);
        self.canonical.set_id(&self.comp.comp_id);
    }

    /// Reads a clean row over again, as the sale of this occurrence.
    fn again(&mut self, raw: &Raw<'_>, derived: bool, occurrence: u32) -> &Comp {
        self.cells.read(raw.text);
        self.rows
            .read(raw, &self.cells, &mut self.comp, &mut self.faults);
        if derived {
            self.settle_id(occurrence);
        }
        &self.comp
    }
}

fn canonical_writer(buffer: Vec<u8>) -> csv::Writer<Vec<u8>> {
    csv::WriterBuilder::new()
        .buffer_capacity(1 << 10)
        .flexible(true)
        .from_writer(buffer)
}

fn problem(input: &Input, line: u64, found: CellFault) -> (Problem, Option<Topic>) {
    let topic = found.fault.topic;
    let column = found
        .column
        .map_or("", |field| input.mapping.their_name(field));
    (
        found.fault.at(&input.name, line, column, &found.value),
        topic,
    )
}

/// A row that was taken.
struct Seen {
    content: u64,
    file: u32,
    line: u32,
}

/// Puts the chunks together in order.
struct Merger<'a, 'w> {
    against: &'a Against<'a>,
    /// The columns behind the fixed ones that are written.
    optional: &'a [OptionalColumn],
    out: &'w mut dyn Write,
    witness: &'w mut dyn Witness,
    plan: Plan,
    /// Rows taken, by the hash of their identifier.
    seen: IdMap<Seen>,
    /// Bytes of the files before this one.
    done: u64,
}

/// What is remembered of one file while its chunks come in.
struct FileState<'a> {
    input: &'a Input,
    number: u32,
    count: FileCount,
    /// How often rows without an identifier were alike, by the identifier of the first.
    alike: HashMap<u64, u32>,
    told: Vec<Topic>,
    reader: ChunkReader<'a>,
}

impl<'a> Merger<'a, '_> {
    fn file(&mut self, input: &'a Input, number: u32) -> io::Result<()> {
        let facts = Facts::new(input, &self.against.settings.currency);
        self.chunks(input, number, &facts)?;
        let text = |found: String, why: &str| format!("{found}, as {why}");
        if let Some(count) = self.plan.files.last_mut() {
            if let Some(Decided::Known { value, why }) = facts.date_order_if_asked() {
                count.date_order = Some(text(value.to_string(), why));
            }
            if let Some(Decided::Known { value, why }) = facts.decimal_mark_if_asked() {
                count.decimal_mark = Some(text(value.to_string(), why));
            }
        }
        self.done += input.len() as u64;
        Ok(())
    }

    fn chunks(&mut self, input: &Input, number: u32, facts: &Facts<'_>) -> io::Result<()> {
        let (against, optional) = (self.against, self.optional);
        let threads = if input.len() <= CHUNK_BYTES {
            1
        } else {
            rayon::current_num_threads()
        };
        let reader = || ChunkReader::new(input, against, facts, optional);
        let mut readers: Vec<ChunkReader<'_>> = (0..threads).map(|_| reader()).collect();
        // For the thread that puts the chunks together, when it has nothing else to do.
        let mut helper = reader();
        let mut file = FileState {
            input,
            number,
            count: FileCount::default(),
            alike: HashMap::new(),
            told: Vec::new(),
            reader: reader(),
        };
        let mut records = input.rows();
        let mut ready: Vec<Chunk<'_>> = Vec::new();
        let mut take_round = || -> Vec<Vec<Raw<'_>>> {
            let chunks = (0..threads * CHUNKS_EACH).map(|_| take_chunk(&mut records));
            chunks.take_while(|raws| !raws.is_empty()).collect()
        };
        let mut raws = take_round();
        let mut done = 0;
        while !(raws.is_empty() && ready.is_empty()) {
            // While the threads read this round, the last one is put together here and the next one cut.
            let round = Round {
                raws: &raws,
                next: AtomicUsize::new(0),
            };
            let mut shares: Vec<Vec<(usize, Chunk<'_>)>> =
                readers.iter().map(|_| Vec::new()).collect();
            let (mut read, after) = rayon::in_place_scope(|scope| {
                for (reader, share) in readers.iter_mut().zip(&mut shares) {
                    let round = &round;
                    scope.spawn(move |_| *share = round.read(reader));
                }
                for chunk in ready.drain(..) {
                    self.merge(&mut file, chunk)?;
                }
                let after = take_round();
                Ok::<_, io::Error>((round.read(&mut helper), after))
            })?;
            read.extend(shares.into_iter().flatten());
            ready = in_order(read);
            let text = raws.iter().flatten().map(|raw| raw.text.len() as u64 + 1);
            done += text.sum::<u64>();
            self.witness
                .progress(self.done + done.min(input.len() as u64));
            raws = after;
        }
        readers.push(helper);
        for reader in readers {
            add_undeclared(&mut file.count.undeclared, reader.undeclared);
            self.plan.models.extend(reader.models.into_values());
        }
        self.plan.files.push(file.count);
        Ok(())
    }

    fn merge(&mut self, file: &mut FileState<'_>, chunk: Chunk<'_>) -> io::Result<()> {
        for Outcome { raw, fate } in chunk.outcomes {
            match fate {
                Fate::Blank => file.count.blank += 1,
                Fate::RepeatedHeader => file.count.repeated_headers += 1,
                Fate::Bad(problems) => self.bad(file, &raw, problems)?,
                Fate::Good(good) => self.good(file, &raw, good, &chunk.text)?,
            }
        }
        Ok(())
    }

    fn bad(
        &mut self,
        file: &mut FileState<'_>,
        raw: &Raw<'_>,
        problems: Vec<(Problem, Option<Topic>)>,
    ) -> io::Result<()> {
        file.count.rows += 1;
        file.count.rejected += 1;
        let mut reason = String::new();
        for (problem, topic) in problems {
            if !reason.is_empty() {
                reason.push_str(" | ");
            }
            let column = if problem.column.is_empty() {
                String::new()
            } else {
                format!("{}: ", problem.column)
            };
            reason.push_str(&format!(
                "{column}expected {}; {}",
                problem.expected, problem.mend
            ));
            if let Some(topic) = topic {
                if file.told.contains(&topic) {
                    continue;
                }
                file.told.push(topic);
            }
            self.plan.problems += 1;
            self.witness.problem(&problem)?;
        }
        self.witness.reject(
            file.input,
            &Reject {
                text: raw.text,
                flawed: raw.flaw.is_some(),
                reason: &reason,
            },
        )
    }

    fn good(
        &mut self,
        file: &mut FileState<'_>,
        raw: &Raw<'_>,
        good: Good,
        text: &[u8],
    ) -> io::Result<()> {
        file.count.rows += 1;
        match self.seen.entry(good.id) {
            Entry::Vacant(place) => {
                place.insert(Seen {
                    content: good.content,
                    file: file.number,
                    line: raw.line as u32,
                });
                file.count.count(good.kind, raw.line);
                let updated = self.count(good.existing, good.content);
                if updated && self.plan.updates.len() < SHOWN_UPDATES {
                    let comp = file.reader.again(raw, good.derived, 0).clone();
                    self.plan.updates.push(comp);
                }
                if good.existing == Some(good.content) {
                    return Ok(());
                }
                self.out.write_all(&text[good.start..good.end])
            }
            Entry::Occupied(mut place) => {
                let earlier = place.get_mut();
                if good.derived && earlier.file == file.number {
                    return self.alike(file, raw, good.id);
                }
                if earlier.content == good.content {
                    // A further row like it in this file is a further sale.
                    earlier.file = file.number;
                    file.count.repeated += 1;
                    return Ok(());
                }
                let (other, line) = (earlier.file, earlier.line);
                self.conflict(file, raw, good.derived, other, line)
            }
        }
    }

    /// Takes a row without identifier that is like an earlier one of the file as a further sale.
    fn alike(&mut self, file: &mut FileState<'_>, raw: &Raw<'_>, first: u64) -> io::Result<()> {
        let occurrence = file.alike.entry(first).or_insert(0);
        let (existing, content) = loop {
            *occurrence += 1;
            let id = file.reader.again(raw, true, *occurrence).comp_id.as_str();
            let (existing, hash) = ((self.against.existing)(id), xxh3_64(id.as_bytes()));
            let content = file.reader.canonical.content_hash();
            match self.seen.entry(hash) {
                // An identifier written in the file may be the one that this occurrence would have.
                Entry::Occupied(place) if place.get().file == file.number => {}
                Entry::Occupied(mut place) if place.get().content == content => {
                    place.get_mut().file = file.number;
                    file.count.repeated += 1;
                    return Ok(());
                }
                Entry::Occupied(place) => {
                    let (other, line) = (place.get().file, place.get().line);
                    return self.conflict(file, raw, true, other, line);
                }
                Entry::Vacant(place) => {
                    place.insert(Seen {
                        content,
                        file: file.number,
                        line: raw.line as u32,
                    });
                    break (existing, content);
                }
            }
        };
        file.count.identical += 1;
        file.count.count(Kind::of(&file.reader.comp), raw.line);
        if self.count(existing, content) && self.plan.updates.len() < SHOWN_UPDATES {
            self.plan.updates.push(file.reader.comp.clone());
        }
        if existing == Some(content) {
            return Ok(());
        }
        let mut writer = canonical_writer(Vec::new());
        write_row(
            &mut writer,
            &file.reader.canonical,
            &file.reader.comp,
            self.optional,
        )?;
        self.out
            .write_all(&writer.into_inner().map_err(|error| error.into_error())?)
    }

    /// Counts a row against the book and returns whether it is an update.
    fn count(&mut self, existing: Option<u64>, content: u64) -> bool {
        match existing {
            None => self.plan.new += 1,
            Some(known) if known == content => self.plan.unchanged += 1,
            Some(_) => self.plan.updated += 1,
        }
        existing.is_some_and(|known| known != content)
    }

    /// Two rows of one identifier that say different things.
    fn conflict(
        &mut self,
        file: &mut FileState<'_>,
        raw: &Raw<'_>,
        derived: bool,
        other: u32,
        line: u32,
    ) -> io::Result<()> {
        let earlier = if other == file.number {
            format!("row {line}")
        } else {
            format!("row {line} of an earlier file")
        };
        let fault = if derived {
            Fault::new(
                format!("one record of a sale, but {earlier} has it with another venue or note"),
                "take one of the two out, or give both a comp_id if they are two sales",
            )
        } else {
            Fault::new(
                format!("an identifier of one sale, but {earlier} has it with other content"),
                "give each sale its own comp_id (or none), or import the files one after the other if the later corrects \
                 the earlier",
            )
        };
        let value = file.reader.again(raw, false, 0).comp_id.clone();
        let column = file.input.mapping.their_name(Column::CompId);
        let problem = fault.at(&file.input.name, raw.line, column, &value);
        // The row was counted when it came in.
        file.count.rows -= 1;
        self.bad(file, raw, vec![(problem, None)])
    }
}

/// Chunks that several threads read, each taking the next one.
struct Round<'r, 'a> {
    raws: &'r [Vec<Raw<'a>>],
    next: AtomicUsize,
}

impl<'a> Round<'_, 'a> {
    /// Reads chunks until there are no more; each with its place.
    fn read(&self, reader: &mut ChunkReader<'_>) -> Vec<(usize, Chunk<'a>)> {
        let mut read = Vec::new();
        loop {
            let at = self.next.fetch_add(1, Ordering::Relaxed);
            let Some(raws) = self.raws.get(at) else {
                return read;
            };
            read.push((at, reader.chunk(raws)));
        }
    }
}

/// Chunks in the order of their places.
fn in_order(mut read: Vec<(usize, Chunk<'_>)>) -> Vec<Chunk<'_>> {
    read.sort_unstable_by_key(|(at, _)| *at);
    read.into_iter().map(|(_, chunk)| chunk).collect()
}

/// The next records, about [`CHUNK_BYTES`] of them.
fn take_chunk<'a>(records: &mut impl Iterator<Item = Raw<'a>>) -> Vec<Raw<'a>> {
    let mut raws = Vec::new();
    let mut bytes = 0;
    while bytes < CHUNK_BYTES {
        let Some(raw) = records.next() else { break };
        bytes += raw.text.len() + 1;
        raws.push(raw);
    }
    raws
}

/// Writes the rejected rows of one input beside the reasons: untouched, but that no cell of them acts as a
/// formula ([`crate::book::csv::formula`]).
pub struct RejectsWriter<W: Write> {
    out: W,
    delimiter: char,
    cells: Cells,
    /// Rows written.
    pub rows: u64,
}

impl<W: Write> RejectsWriter<W> {
    /// Begins with the header of the input, behind a column of reasons.
    ///
    /// # Errors
    /// Where `out` fails.
    pub fn new(mut out: W, input: &Input) -> io::Result<Self> {
        let delimiter = char::from(input.delimiter);
        let mark = if input.marked { "\u{feff}" } else { "" };
        // The mended file is read like any other, and a second `reason` is no trouble.
        let mut cells = Cells::new(input.delimiter);
        cells.read(input.header_text());
        let names: Vec<&str> = cells.iter().collect();
        let header = neutral_record(input.header_text(), delimiter, Some(&names));
        writeln!(out, "{mark}{REASON}{delimiter}{header}")?;
        Ok(Self {
            out,
            delimiter,
            cells,
            rows: 0,
        })
    }

    /// Writes one row.
    ///
    /// # Errors
    /// Where `out` fails.
    pub fn write(&mut self, reject: &Reject<'_>) -> io::Result<()> {
        self.rows += 1;
        let reason = shorten(reject.reason, 2000);
        let reason = neutral(&reason).replace('"', "\"\"");
        self.cells.read(reject.text);
        let cells: Option<Vec<&str>> = (!reject.flawed).then(|| self.cells.iter().collect());
        let row = neutral_record(reject.text, self.delimiter, cells.as_deref());
        writeln!(self.out, "\"{reason}\"{}{row}", self.delimiter)
    }

    /// Ends the file and gives the writer back.
    ///
    /// # Errors
    /// Where `out` fails.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}
