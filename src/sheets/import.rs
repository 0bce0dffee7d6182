//! Import: the changes that some files would make to the book, row by row, in one pass.
//!
//! The canonical form of every new or changed row goes to a writer as it is read, so that memory
//! contains the input, one chunk of output and a few bytes per row. Threads read chunks of rows in
//! parallel; identifiers are assigned in the order of the files.

mod chunk;
mod plan;
mod rejects;

use std::collections::hash_map::Entry;
use std::collections::{BTreeSet, HashMap};
use std::io::{self, Write};

use xxhash_rust::xxh3::xxh3_64;

use self::chunk::{
    CHUNK_BYTES, Chunk, ChunkReader, Fate, Good, Outcome, Round, canonical_writer, header_line,
    in_order, take_chunk,
};
use self::plan::Kind;
use super::Input;
use super::facts::{Decided, Facts};
use super::header::Column;
use super::records::Raw;
use crate::book::csv::canonical::{OptionalColumn, write_row};
use crate::book::ids::IdMap;
use crate::settings::values::order_word;
use crate::trade::cells::{Question, Wrong};
use crate::trade::{Currency, Problem};
pub use plan::{
    Against, FileCount, Guessed, Plan, SHOWN_UPDATES, Trouble, Undeclared, add_undeclared,
};
pub use rejects::{Reject, RejectsWriter};

/// Number of chunks per thread before they are merged.
const CHUNKS_EACH: usize = 6;

/// Receives the events during the plan of an import, in the order of the rows.
pub trait Witness {
    /// A problem in a row, which is refused.
    ///
    /// # Errors
    /// If writing it fails; this ends the run.
    fn problem(&mut self, problem: &Problem) -> io::Result<()>;

    /// A refused row.
    ///
    /// # Errors
    /// Those of [`Witness::problem`].
    fn reject(&mut self, input: &Input, reject: &Reject<'_>) -> io::Result<()> {
        let _ = (input, reject);
        Ok(())
    }

    /// Total bytes of text read so far.
    fn progress(&mut self, bytes: u64) {
        let _ = bytes;
    }
}

/// Reads every input, reports problems to `witness` and writes a canonical file of the new and
/// changed rows to `out`.
///
/// Rows without an identifier get a derived one. Equal rows in one file are separate sales; an
/// equal row in another file is the same sale.
///
/// # Errors
/// If `out` or `witness` fails.
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
    merger.plan.sort_troubles();
    Ok(merger.plan)
}

/// The optional columns that some input uses, in order.
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

/// An accepted row.
struct Seen {
    content: u64,
    file: u32,
    line: u32,
}

/// Merges the chunks in order.
struct Merger<'a, 'w> {
    against: &'a Against<'a>,
    /// The optional columns that are written.
    optional: &'a [OptionalColumn],
    out: &'w mut dyn Write,
    witness: &'w mut dyn Witness,
    plan: Plan,
    /// Accepted rows, by the hash of their identifier.
    seen: IdMap<Seen>,
    /// Bytes of the files before this one.
    done: u64,
}

/// State of one file during its chunks.
struct FileState<'a> {
    input: &'a Input,
    number: u32,
    count: FileCount,
    /// Number of equal rows without an identifier, by the identifier of the first.
    alike: HashMap<u64, u32>,
    reported: Vec<Question>,
    reader: ChunkReader<'a>,
}

impl FileState<'_> {
    /// Counts what was guessed of an accepted sale, and keeps the first example of each guess.
    fn note_guesses(&mut self, kind: Kind, raw: &Raw<'_>) {
        let reader = &mut self.reader;
        for (guessed, found, column) in [
            (
                kind.guesses.date,
                &mut self.count.two_ways,
                Some(Column::SoldOn),
            ),
            (
                kind.guesses.parts,
                &mut self.count.parts_grades,
                Some(Column::Grade),
            ),
            (kind.guesses.list, &mut self.count.split_lists, None),
        ] {
            if !guessed {
                continue;
            }
            match found {
                Some(found) => found.add(raw.line),
                None => *found = Some(reader.guessed(raw, column)),
            }
        }
    }
}

impl<'a> Merger<'a, '_> {
    fn file(&mut self, input: &'a Input, number: u32) -> io::Result<()> {
        let facts = Facts::new(input, self.against.settings);
        self.chunks(input, number, &facts)?;
        let text = |found: String, why: &str| format!("{found}, as {why}");
        if let Some(count) = self.plan.files.last_mut() {
            let usual = self.against.settings.date_order_why();
            // The book's own order is worth a word only where it decided.
            let decided = |why: &str| count.two_ways.is_some() || why != usual;
            if let Some(Decided::Known { value, why }) = facts.date_order_if_asked()
                && decided(why)
            {
                count.date_order = Some(text(value.to_string(), why));
                count.other_order = order_word(value.other());
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
        // For the merging thread while it has nothing else to do.
        let mut helper = reader();
        let mut file = FileState {
            input,
            number,
            count: FileCount::default(),
            alike: HashMap::new(),
            reported: Vec::new(),
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
            // While the threads read this round, this thread merges the last one and cuts the next
            // one.
            let round = Round::new(&raws);
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
            self.plan.add_models(reader.models.into_values());
        }
        self.plan.files.push(file.count);
        Ok(())
    }

    fn merge(&mut self, file: &mut FileState<'_>, chunk: Chunk<'_>) -> io::Result<()> {
        for Outcome { raw, fate } in chunk.outcomes {
            match fate {
                Fate::Blank => file.count.blank += 1,
                Fate::RepeatedHeader => file.count.repeated_headers += 1,
                Fate::Label => file.count.label(raw.line, raw.text),
                Fate::Sum => file.count.sums += 1,
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
        problems: Vec<(Problem, Option<Question>)>,
    ) -> io::Result<()> {
        file.count.rows += 1;
        file.count.rejected += 1;
        let mut reason = String::new();
        for (problem, topic) in problems {
            if !reason.is_empty() {
                reason.push_str(" | ");
            }
            if !problem.column.is_empty() {
                reason.push_str(&format!("{}: ", problem.column));
            }
            reason.push_str(&format!("expected {}; {}", problem.expected, problem.fix));
            self.plan.add_trouble(&problem, topic);
            if let Some(topic) = topic.filter(|topic| !matches!(topic, Question::Word(_))) {
                if file.reported.contains(&topic) {
                    continue;
                }
                file.reported.push(topic);
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
                file.note_guesses(good.kind, raw);
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
                    // A further equal row in this file is a further sale.
                    earlier.file = file.number;
                    file.count.repeated += 1;
                    return Ok(());
                }
                let (other, line) = (earlier.file, earlier.line);
                self.conflict(file, raw, good.derived, other, line)
            }
        }
    }

    /// Accepts a row without identifier that equals an earlier one of the file as a further sale.
    fn alike(&mut self, file: &mut FileState<'_>, raw: &Raw<'_>, first: u64) -> io::Result<()> {
        let occurrence = file.alike.entry(first).or_insert(0);
        let (existing, content) = loop {
            *occurrence += 1;
            let id = file.reader.again(raw, true, *occurrence).comp_id.as_str();
            let (existing, hash) = ((self.against.existing)(id), xxh3_64(id.as_bytes()));
            let content = file.reader.canonical.content_hash();
            match self.seen.entry(hash) {
                // A written identifier in the file may equal that of this occurrence.
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
        let kind = Kind::of(&file.reader.comp, file.reader.guesses);
        file.count.count(kind, raw.line);
        file.note_guesses(kind, raw);
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

    /// Compares a row with the book, counts it and returns whether it is an update.
    fn count(&mut self, existing: Option<u64>, content: u64) -> bool {
        match existing {
            None => self.plan.new += 1,
            Some(known) if known == content => self.plan.unchanged += 1,
            Some(_) => self.plan.updated += 1,
        }
        existing.is_some_and(|known| known != content)
    }

    /// The problem of two different rows with one identifier.
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
            Wrong::new(
                format!("one record of a sale, but {earlier} has it with another venue or note"),
                "take one of the two out, or give both a comp_id if they are two sales",
            )
        } else {
            Wrong::new(
                format!("an identifier of one sale, but {earlier} has it with other content"),
                "give each sale its own comp_id (or none), or import the files one after the other if the later corrects \
                 the earlier",
            )
        };
        let value = file.reader.again(raw, false, 0).comp_id.clone();
        let column = file.input.mapping.their_name(Column::CompId);
        let problem = fault.at(&file.input.name, raw.line, column, &value);
        // The row was counted before.
        file.count.rows -= 1;
        self.bad(file, raw, vec![(problem, None)])
    }
}
