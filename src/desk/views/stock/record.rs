//! Records events by the functions that the commands use.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::forms::Happened;
use crate::app::AppError;
use crate::app::amounts::{minutes, money, money_if, refused, shipping_if};
use crate::app::deals::{Books, Bought, Dated, Entered, OfDeal, Refund};
use crate::app::describe::{fit_to_keep, one_line, subject};
use crate::app::drawer::{HarvestGiven, Purchase, UsedParts, nearly_known};
use crate::app::listed::place;
use crate::app::overheads::{Overhead, driving, kilometres};
use crate::desk::form::Form;
use crate::desk::page::Reply;
use crate::desk::ready::Ready;
use crate::desk::unit::description;
use crate::desk::views::events;
use crate::desk::views::terms::{day, typed, worth};
use crate::parse::parts::parts;
use crate::render::drawer::{cautions_of, cost_of, counted, harvest_lines};
use crate::render::ledger::{cost_so_far, foreseen};
use crate::render::sheet;
use crate::trade::items::MOST;

/// The result of a form.
pub enum Done {
    /// It is recorded.
    Recorded(Reply),
    /// The model is new and nearly this one: nothing is recorded before that is answered.
    Doubt(String),
}

/// A form with the book.
struct Asked<'a, 'r> {
    ready: &'a Ready<'r>,
    form: &'a Form,
    dated: Dated,
}

/// Records what the form reports.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn record(ready: &Ready<'_>, happened: Happened, form: &Form) -> Result<Done, AppError> {
    let asked = Asked {
        ready,
        form,
        dated: events::dated(ready, form)?,
    };
    match happened {
        Happened::Buy => return asked.buy(),
        Happened::Fund => asked.capital(true),
        Happened::Draw => asked.capital(false),
        Happened::Overhead => asked.overhead(),
        Happened::Part => asked.add_parts(),
        Happened::Drop => asked.drop_parts(),
        Happened::Reverse => asked.reverse(day(ready, form)?),
        Happened::Spend => asked.spend(),
        Happened::List => asked.list(),
        Happened::Unlist => asked.unlist(),
        Happened::Sold => asked.sold(),
        Happened::Describe => asked.describe(),
        Happened::Use => asked.use_parts(),
        Happened::Harvest => asked.harvest(),
        Happened::Scrap => asked.scrap(),
        Happened::Refund => asked.refund(),
    }
    .map(Done::Recorded)
}

/// Texts that are not empty, one after the other.
fn joined(texts: &[&str], between: &str) -> String {
    let some: Vec<&str> = texts
        .iter()
        .copied()
        .filter(|text| !text.is_empty())
        .collect();
    some.join(between)
}

impl Asked<'_, '_> {
    fn owned(&self, name: &str) -> Option<String> {
        typed(self.form, name)
    }

    /// An amount of the form, if it has one.
    fn money(&self, name: &str) -> Result<Option<Decimal>, AppError> {
        let flag = format!("--{}", name.replace('_', "-"));
        money_if(
            &flag,
            self.owned(name).as_ref(),
            &self.ready.settings().currency,
        )
    }

    /// An amount that the form must have.
    fn must(&self, name: &str) -> Result<Decimal, AppError> {
        let flag = format!("--{}", name.replace('_', "-"));
        money(&flag, self.form.text(name), &self.ready.settings().currency)
    }

    fn minutes(&self) -> Result<Decimal, AppError> {
        minutes("--minutes", self.form.get("minutes"))
    }

    /// The count of the form; one if it has none.
    fn count(&self) -> Result<u32, AppError> {
        let Some(text) = self.form.get("count") else {
            return Ok(1);
        };
        let read = text.parse::<u32>().ok().filter(|n| (1..=MOST).contains(n));
        read.ok_or_else(|| refused("--count", text, &format!("a number from 1 to {MOST}")))
    }

    /// Models that parts fit.
    fn fits(&self) -> Result<Vec<String>, AppError> {
        let mut all: Vec<String> = Vec::new();
        for model in self.form.text("fits").split(';') {
            let model = one_line("--fits", model)?;
            if !model.is_empty() && !all.contains(&model) {
                all.push(model);
            }
        }
        Ok(all)
    }

    fn amount(&self, value: Decimal) -> String {
        worth(self.ready.settings(), value)
    }

    /// Opens the ledger, and records something in it.
    fn enter<T>(
        &self,
        record: impl FnOnce(Books<'_>, Dated) -> Result<T, AppError>,
    ) -> Result<T, AppError> {
        let mut notice = self.ready.notice();
        let books = Books::open(self.ready.book(), &mut notice)?;
        record(books, self.dated.clone())
    }

    /// The reply about an entry that is of no deal.
    fn recorded(&self, entered: &Entered, lines: &[String]) -> Reply {
        events::recorded(self.ready, entered, "/stock", lines)
    }

    /// The reply about an entry of a deal.
    fn of_deal(&self, of_deal: &OfDeal, lines: &[String]) -> Reply {
        let address = format!("/stock?deal={}", of_deal.deal.name());
        events::recorded(self.ready, &of_deal.entered, &address, lines)
    }

    fn buy(&self) -> Result<Done, AppError> {
        let (book, settings) = (self.ready.book(), self.ready.settings());
        let mut notice = self.ready.notice();
        let mut description = description(self.form, settings)?;
        description.model = one_line("--model", &description.model)?;
        match self.form.get("sure") {
            Some(sure) => description.model = one_line("--model", sure)?,
            None => {
                if let Some(near) = nearly_known(book, &description.model, &mut notice)? {
                    return Ok(Done::Doubt(near));
                }
            }
        }
        let unit = subject(&description, settings, &mut notice)?;
        fit_to_keep(&unit)?;
        let named = sheet::unit(&unit);
        let bought = Bought {
            subject: unit,
            price: self.must("price")?,
            asked: self.money("asked")?,
            inbound: self.money("inbound")?.unwrap_or_default(),
            minutes: self.minutes()?,
        };
        let made = self.enter(|books, dated| books.buy(bought, dated))?;
        let deal = &made.deal;
        let mut lines = vec![format!(
            "Bought {}: {named}, on {} for {}.",
            deal.name(),
            self.dated.on,
            self.amount(deal.paid)
        )];
        lines.extend(deal.foreseen.as_ref().map(|made| {
            format!(
                "Estimate of the day: {}.",
                foreseen(made, &settings.currency)
            )
        }));
        Ok(Done::Recorded(self.of_deal(&made, &lines)))
    }

    fn capital(&self, put_in: bool) -> Result<Reply, AppError> {
        let sum = self.must("amount")?;
        let (what, entered) = if put_in {
            (
                "Paid in",
                self.enter(|books, dated| books.fund(sum, dated))?,
            )
        } else {
            (
                "Took out",
                self.enter(|books, dated| books.draw(sum, dated))?,
            )
        };
        let line = format!("{what} {} on {}.", self.amount(sum), self.dated.on);
        Ok(self.recorded(&entered, &[line]))
    }

    fn overhead(&self) -> Result<Reply, AppError> {
        let settings = self.ready.settings();
        let km = self.form.get("km").map(kilometres).transpose()?;
        let amount = self.money("amount")?;
        if km.is_some() && amount.is_some() {
            return Err(AppError::Refused {
                message: "--km and an amount give the cost twice".into(),
                next: "leave one of them out".into(),
            });
        }
        let cost = match km {
            Some(km) => driving(km, self.money("per_km")?, settings)?,
            None => amount.unwrap_or_default(),
        };
        let overhead = Overhead {
            amount: cost,
            own: self.form.has("own") || km.is_some(),
            minutes: self.minutes()?,
        };
        let driven = km.map_or(String::new(), |km| format!("{} km", km.normalize()));
        let what = one_line("--what", self.form.text("what"))?;
        let what = joined(&[&driven, &what], ", ");
        let dated = Dated {
            note: joined(&[&what, &self.dated.note], "; "),
            ..self.dated.clone()
        };
        let spent = self.enter(|books, _| books.overhead(overhead, dated))?;
        let line = format!(
            "Spent {} on {}. Overheads so far {}.",
            self.amount(cost),
            if what.is_empty() { "overheads" } else { &what },
            self.amount(spent.so_far)
        );
        Ok(self.recorded(&spent.entered, &[line]))
    }

    fn add_parts(&self) -> Result<Reply, AppError> {
        let currency = &self.ready.settings().currency;
        let inbound = shipping_if("--inbound", self.owned("inbound").as_ref(), currency)?;
        let count = self.count()?;
        let price = match (self.money("cost")?, self.money("in_all")?) {
            (Some(each), None) => each * Decimal::from(count),
            (None, Some(all)) => all,
            (Some(_), Some(_)) => {
                return Err(AppError::Usage(
                    "--in-all: give this or the cost of one, not both".into(),
                ));
            }
            (None, None) => return Err(AppError::Usage("--cost: give what they cost".into())),
        };
        let bought = Purchase {
            name: self.form.text("part").to_string(),
            count,
            cost: price + inbound.unwrap_or_default(),
            fits: self.fits()?,
        };
        let moved = self.enter(|books, dated| books.add_parts(bought, dated))?;
        let line = format!(
            "Bought {} on {} for {}.",
            moved
                .parts
                .first()
                .map_or(String::new(), |part| counted(&part.name, part.count)),
            self.dated.on,
            self.amount(cost_of(&moved.parts))
        );
        Ok(self.recorded(&moved.entered, &[line]))
    }

    fn drop_parts(&self) -> Result<Reply, AppError> {
        let fetched = self.money("for")?.unwrap_or_default();
        let part = (self.form.text("part"), self.count()?);
        let fits = self.form.get("fits");
        let moved = self.enter(|books, dated| books.drop_parts(part, (fits, fetched), dated))?;
        let cost = cost_of(&moved.parts);
        let line = format!(
            "Dropped {} on {} for {}. Cost {}, profit {}.",
            counted(moved.parts.first().map_or("", |line| &line.name), part.1),
            self.dated.on,
            self.amount(fetched),
            self.amount(cost),
            self.amount(fetched - cost)
        );
        Ok(self.recorded(&moved.entered, &[line]))
    }

    fn reverse(&self, on: Option<NaiveDate>) -> Result<Reply, AppError> {
        let text = self.form.text("entry");
        let number = text
            .parse()
            .map_err(|_| refused("--entry", text, "the number of an entry"))?;
        let today = self.ready.today();
        let (ledger, new) =
            self.enter(|books, dated| books.reverse(number, on, (today, dated.note)))?;
        let entry = ledger.entries().iter().find(|entry| entry.number == number);
        let deal = entry
            .and_then(|entry| entry.deal)
            .and_then(|id| ledger.deal(id));
        let address = deal.map_or("/stock".into(), |deal| {
            format!("/stock?deal={}", deal.name())
        });
        let text = format!("Reversed ledger entry {number} by ledger entry {new}.");
        Ok(self.ready.see_other(&address, vec![text]))
    }

    fn spend(&self) -> Result<Reply, AppError> {
        let spent = self.money("amount")?.unwrap_or_default();
        let what = one_line("--what", self.form.text("what"))?;
        let minutes = self.minutes()?;
        let dated = Dated {
            note: joined(&[&what, &self.dated.note], "; "),
            ..self.dated.clone()
        };
        let made =
            self.enter(|books, _| books.spend(self.form.text("deal"), (spent, minutes), dated))?;
        let lines = [
            format!(
                "Spent {} and {} min on {}.",
                self.amount(spent),
                minutes.normalize(),
                made.deal.name()
            ),
            cost_so_far(&made.deal, &self.ready.settings().currency),
        ];
        Ok(self.of_deal(&made, &lines))
    }

    fn list(&self) -> Result<Reply, AppError> {
        let deal = self.form.text("deal");
        let listed = events::list(self.ready, self.form, (deal, self.form.get("outlet")))?;
        Ok(self.of_deal(&listed.of_deal, &listed.lines))
    }

    fn unlist(&self) -> Result<Reply, AppError> {
        let (deal, outlet) = (self.form.text("deal"), self.form.get("outlet"));
        let ended = self.enter(|books, dated| books.unlist(deal, outlet, dated))?;
        let line = format!(
            "{} is no longer up for sale{} since {}.",
            ended.of_deal.deal.name(),
            place(&ended.was.outlet),
            self.dated.on
        );
        Ok(self.of_deal(&ended.of_deal, &[line]))
    }

    fn sold(&self) -> Result<Reply, AppError> {
        let sold = events::sold(self.ready, self.form, self.form.text("deal"), "how_sold")?;
        Ok(self.of_deal(&sold.of_deal, &sold.lines))
    }

    fn describe(&self) -> Result<Reply, AppError> {
        let description = description(self.form, self.ready.settings())?;
        let deal = self.form.text("deal");
        let (of_deal, was) =
            self.enter(|books, dated| books.describe(deal, (None, description), dated))?;
        let lines = [
            format!(
                "{} is now described as {}.",
                of_deal.deal.name(),
                sheet::unit(&of_deal.deal.unit)
            ),
            format!("It was {}.", sheet::unit(&was)),
        ];
        Ok(self.of_deal(&of_deal, &lines))
    }

    fn use_parts(&self) -> Result<Reply, AppError> {
        let part = (self.form.text("part"), self.count()?);
        let deal = self.form.text("deal");
        let UsedParts { parts, of_deal } =
            self.enter(|books, dated| books.use_parts(deal, part, dated))?;
        let lines = [
            format!(
                "Used {} for {}: {} at cost, no cash.",
                counted(parts.first().map_or("", |line| &line.name), part.1),
                of_deal.deal.name(),
                self.amount(cost_of(&parts))
            ),
            cost_so_far(&of_deal.deal, &self.ready.settings().currency),
        ];
        Ok(self.of_deal(&of_deal, &lines))
    }

    fn harvest(&self) -> Result<Reply, AppError> {
        let currency = &self.ready.settings().currency;
        let text = self.form.text("parts");
        let given = HarvestGiven {
            parts: parts(text, currency).map_err(|expected| refused("--parts", text, &expected))?,
            fits: self.fits()?,
            minutes: self.minutes()?,
        };
        let deal = self.form.text("deal");
        let taken = self.enter(|books, dated| books.harvest(deal, given, dated))?;
        let mut lines = vec![format!(
            "Took apart {} on {}.",
            taken.of_deal.deal.name(),
            self.dated.on
        )];
        lines.extend(harvest_lines(&taken, currency));
        lines.extend(cautions_of(&taken).into_iter().map(String::from));
        Ok(self.of_deal(&taken.of_deal, &lines))
    }

    fn scrap(&self) -> Result<Reply, AppError> {
        let fetched = self.money("for")?.unwrap_or_default();
        let deal = self.form.text("deal");
        let made = self.enter(|books, dated| books.scrap(deal, fetched, dated))?;
        let line = format!(
            "Scrapped {} on {} for {}. Cost {}, profit {}.",
            made.deal.name(),
            self.dated.on,
            self.amount(fetched),
            self.amount(made.deal.cost()),
            self.amount(made.deal.profit())
        );
        Ok(self.of_deal(&made, &[line]))
    }

    fn refund(&self) -> Result<Reply, AppError> {
        let sum = self.money("amount")?;
        let back = self.form.has("back");
        if sum.is_none() && !back {
            return Err(AppError::Usage(
                "--amount: give it, or say that the unit came back".into(),
            ));
        }
        let refund = Refund {
            fees_back: self.money("fees_back")?.unwrap_or_default(),
            postage: self.money("sending")?.unwrap_or_default(),
            ..Refund::default()
        };
        let deal = self.form.text("deal");
        let made = self.enter(|books, dated| books.refund(deal, (sum, refund, back), dated))?;
        let mut lines = vec![format!(
            "Gave the buyer of {} {} back on {}{}. Profit so far {}.",
            made.of_deal.deal.name(),
            self.amount(made.amount),
            self.dated.on,
            if back { "; it is in stock again" } else { "" },
            self.amount(made.of_deal.deal.profit())
        )];
        lines.extend(
            made.comp_id
                .map(|id| format!("The sale still counts in estimates, as sale {id}.")),
        );
        Ok(self.of_deal(&made.of_deal, &lines))
    }
}
