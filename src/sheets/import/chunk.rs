//! Chunks of rows, read by several threads: each row gives its canonical text or its problems.

use crate::sheets::header::{Column, Field};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::{AtomicUsize, Ordering};

use xxhash_rust::xxh3::{xxh3_64, xxh3_64_with_seed};

use super::plan::{Against, Guessed, Kind, Undeclared};
use crate::book::csv::canonical::{OptionalColumn, header, write_row};
use crate::book::ids::{IdMap, id_hash};
use crate::sheets::Input;
use crate::sheets::facts::Facts;
use crate::sheets::records::{Cells, Raw};
use crate::sheets::row::{Guesses, RowReader};
use crate::trade::cells::{Fault, Question};
use crate::trade::comp::{COLUMNS, RowText};
use crate::trade::names::composed;
use crate::trade::text::shorten;
use crate::trade::{Comp, Items, Problem};

/// Size of the text that a thread reads at a time, in bytes.
pub(super) const CHUNK_BYTES: usize = 1 << 18;

pub(super) fn header_line(optional: &[OptionalColumn]) -> io::Result<Vec<u8>> {
    let mut writer = canonical_writer(Vec::new());
    writer.write_record(header(&COLUMNS, optional))?;
    writer.into_inner().map_err(|error| error.into_error())
}

/// A record after reading.
pub(super) struct Outcome<'a> {
    pub(super) raw: Raw<'a>,
    pub(super) fate: Fate,
}

pub(super) enum Fate {
    Blank,
    RepeatedHeader,
    /// A single cell: a heading between the rows, or a note.
    Label,
    /// A sum of other rows.
    Sum,
    Bad(Vec<(Problem, Option<Question>)>),
    Good(Good),
}

/// A valid row, and the place of its canonical text in the chunk.
pub(super) struct Good {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) derived: bool,
    pub(super) kind: Kind,
    pub(super) id: u64,
    pub(super) content: u64,
    pub(super) existing: Option<u64>,
}

pub(super) struct Chunk<'a> {
    pub(super) outcomes: Vec<Outcome<'a>>,
    pub(super) text: Vec<u8>,
}

/// Reads records of one input; reuses its buffers.
pub(super) struct ChunkReader<'a> {
    input: &'a Input,
    rows: RowReader<'a>,
    existing: &'a (dyn Fn(&str) -> Option<u64> + Sync),
    /// The optional columns that are written.
    optional: &'a [OptionalColumn],
    pub(super) undeclared: BTreeMap<String, Undeclared>,
    /// Whether an attribute is declared for a model, by the hash of both names.
    declared: IdMap<bool>,
    /// Whether a sale needs at least two cells of its row.
    needs_two: bool,
    cells: Cells,
    pub(super) comp: Comp,
    /// The guesses in it.
    pub(super) guesses: Guesses,
    faults: Vec<Fault<Option<Field>>>,
    pub(super) canonical: RowText,
    /// Models of valid rows with their number and the first, by the hash of their names.
    pub(super) models: IdMap<(String, (u64, u64))>,
}

impl<'a> ChunkReader<'a> {
    pub(super) fn new(
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
            needs_two: [Column::Model, Column::Price]
                .iter()
                .all(|column| !input.fills.iter().any(|(filled, _)| filled == column)),
            cells: Cells::new(input.delimiter),
            comp: Comp::blank(&against.settings.currency.code),
            guesses: Guesses::default(),
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
        if raw.flaw.is_none() {
            let mut filled = self.cells.iter().filter(|cell| !cell.trim().is_empty());
            if filled.nth(1).is_none() && self.needs_two {
                return Fate::Label;
            }
            if self.rows.is_sum(&self.cells) {
                return Fate::Sum;
            }
        }
        self.guesses = self
            .rows
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
        let counted = self.models.entry(id_hash(model));
        counted
            .or_insert_with(|| (model.clone(), (0, raw.line)))
            .1
            .0 += 1;
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
            kind: Kind::of(&self.comp, self.guesses),
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

    /// Sets the identifier of the comp from its content and `occurrence`: from the model and the lists as they are
    /// written, so that it stays the same once more is known of both.
    fn settle_id(&mut self, occurrence: u32) {
        self.comp.comp_id.clear();
        let written = self.rows.written_model(&self.cells).map(composed);
        let mut model = written.map(Cow::into_owned);
        let guessed = self.guesses.list;
        let mut lists = guessed.then(|| self.rows.written_lists(&self.cells));
        if model.is_none() && lists.is_none() {
            self.canonical.fill(&self.comp);
            self.comp.comp_id = self.canonical.derive_id(occurrence);
            self.canonical.set_id(&self.comp.comp_id);
            return;
        }
        swap_written(&mut self.comp, &mut model, &mut lists);
        self.canonical.fill(&self.comp);
        swap_written(&mut self.comp, &mut model, &mut lists);
        self.comp.comp_id = self.canonical.derive_id(occurrence);
        self.canonical.fill(&self.comp);
    }

    /// The first example of a guess: the date or the grade of a row, or else its list, with what was read.
    pub(super) fn guessed(&mut self, raw: &Raw<'_>, column: Option<Column>) -> Guessed {
        self.cells.read(raw.text);
        let (text, read) = match column {
            Some(Column::SoldOn) => {
                let text = self.rows.text_of(&self.cells, Column::SoldOn);
                let day = self.rows.day(text).ok().and_then(|(day, _)| day);
                (text, day.map_or(String::new(), |day| day.to_string()))
            }
            Some(column) => (self.rows.text_of(&self.cells, column), String::new()),
            None => self.rows.guessed_list(&self.cells).unwrap_or_default(),
        };
        Guessed {
            rows: 1,
            first: raw.line,
            more: Vec::new(),
            text: shorten(text, 40),
            read,
        }
    }

    /// Reads a valid row again, as the sale with this occurrence.
    pub(super) fn again(&mut self, raw: &Raw<'_>, derived: bool, occurrence: u32) -> &Comp {
        self.cells.read(raw.text);
        self.guesses = self
            .rows
            .read(raw, &self.cells, &mut self.comp, &mut self.faults);
        if derived {
            self.settle_id(occurrence);
        }
        &self.comp
    }
}

/// Swaps the model and the lists of a comp with those as they are written.
fn swap_written(comp: &mut Comp, model: &mut Option<String>, lists: &mut Option<[Items; 3]>) {
    if let Some(model) = model {
        std::mem::swap(&mut comp.model, model);
    }
    if let Some([missing, extras, defects]) = lists {
        std::mem::swap(&mut comp.missing, missing);
        std::mem::swap(&mut comp.extras, extras);
        std::mem::swap(&mut comp.defects, defects);
    }
}

pub(super) fn canonical_writer(buffer: Vec<u8>) -> csv::Writer<Vec<u8>> {
    csv::WriterBuilder::new()
        .buffer_capacity(1 << 10)
        .flexible(true)
        .from_writer(buffer)
}

fn problem(input: &Input, line: u64, found: Fault<Option<Field>>) -> (Problem, Option<Question>) {
    let topic = found.wrong.question;
    let column = found
        .column
        .map_or("", |field| input.mapping.their_name(field));
    (
        found.wrong.at(&input.name, line, column, &found.value),
        topic,
    )
}

/// Chunks for several threads, each of which takes the next one.
pub(super) struct Round<'r, 'a> {
    raws: &'r [Vec<Raw<'a>>],
    next: AtomicUsize,
}

impl<'r, 'a> Round<'r, 'a> {
    /// These chunks, before any is taken.
    pub(super) fn new(raws: &'r [Vec<Raw<'a>>]) -> Self {
        Self {
            raws,
            next: AtomicUsize::new(0),
        }
    }

    /// Reads chunks until there are no more; returns each with its position.
    pub(super) fn read(&self, reader: &mut ChunkReader<'_>) -> Vec<(usize, Chunk<'a>)> {
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

/// Chunks in the order of their positions.
pub(super) fn in_order(mut read: Vec<(usize, Chunk<'_>)>) -> Vec<Chunk<'_>> {
    read.sort_unstable_by_key(|(at, _)| *at);
    read.into_iter().map(|(_, chunk)| chunk).collect()
}

/// The next records, about [`CHUNK_BYTES`] of them.
pub(super) fn take_chunk<'a>(records: &mut impl Iterator<Item = Raw<'a>>) -> Vec<Raw<'a>> {
    let mut raws = Vec::new();
    let mut bytes = 0;
    while bytes < CHUNK_BYTES {
        let Some(raw) = records.next() else { break };
        bytes += raw.text.len() + 1;
        raws.push(raw);
    }
    raws
}
