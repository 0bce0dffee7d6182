//! The forms that record events: one at a time on the page.

use maud::{Markup, html};

use crate::app::AppError;
use crate::app::ledger::{Wanted, find_deal, read_ledger};
use crate::app::listed::{Up, deal_names};
use crate::desk::fields::{Choice, Fields, guarded, open_chip, or_open, same, send};
use crate::desk::form::{Form, query};
use crate::desk::page::refused;
use crate::desk::ready::Ready;
use crate::desk::unit::{self, MODELS, model_field, model_list, with_unit};
use crate::render::html::visible;
use crate::render::sheet;
use crate::trade::HowSold;

/// Something that happened, to be recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happened {
    /// A unit was bought.
    Buy,
    /// The owner put money in.
    Fund,
    /// The owner took money out.
    Draw,
    /// Money or time was spent that belongs to no unit.
    Overhead,
    /// Spare parts were bought.
    Part,
    /// Spare parts are gone.
    Drop,
    /// An entry was wrong.
    Reverse,
    /// Money or time was spent on a unit.
    Spend,
    /// A unit was put up for sale.
    List,
    /// It was taken down.
    Unlist,
    /// A unit was sold.
    Sold,
    /// Parts went into a unit.
    Use,
    /// A unit was taken apart.
    Harvest,
    /// A unit was scrapped.
    Scrap,
    /// A buyer got money back.
    Refund,
    /// A unit turned out to be another than it was described.
    Describe,
}

impl Happened {
    const ALL: [Self; 16] = [
        Self::Buy,
        Self::Fund,
        Self::Draw,
        Self::Overhead,
        Self::Part,
        Self::Drop,
        Self::Reverse,
        Self::Spend,
        Self::List,
        Self::Unlist,
        Self::Sold,
        Self::Use,
        Self::Harvest,
        Self::Scrap,
        Self::Refund,
        Self::Describe,
    ];

    /// Its word in addresses and forms.
    pub fn word(self) -> &'static str {
        self.words().0
    }

    /// Its name for links and headings.
    pub fn label(self) -> &'static str {
        self.words().1
    }

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Buy => ("buy", "Buy a unit"),
            Self::Fund => ("fund", "Pay money in"),
            Self::Draw => ("draw", "Take money out"),
            Self::Overhead => ("overhead", "Overheads"),
            Self::Part => ("part", "Buy spare parts"),
            Self::Drop => ("drop", "Spare parts gone"),
            Self::Reverse => ("reverse", "Reverse an entry"),
            Self::Spend => ("spend", "Spend on a unit"),
            Self::List => ("list", "Put up for sale"),
            Self::Unlist => ("unlist", "Take down"),
            Self::Sold => ("sold", "Sold"),
            Self::Use => ("use", "Use spare parts"),
            Self::Harvest => ("harvest", "Take apart"),
            Self::Scrap => ("scrap", "Scrap"),
            Self::Refund => ("refund", "Refund or return"),
            Self::Describe => ("describe", "Describe again"),
        }
    }

    /// The one of a word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.word() == word)
    }

    /// Whether it is about a unit of the ledger.
    pub fn of_deal(self) -> bool {
        !matches!(
            self,
            Self::Buy
                | Self::Fund
                | Self::Draw
                | Self::Overhead
                | Self::Part
                | Self::Drop
                | Self::Reverse
        )
    }

    /// Fields beside which an error can stand.
    fn fields(self) -> Vec<&'static str> {
        let described: &[&str] = match self {
            Self::Buy | Self::Describe => &unit::DESCRIBED,
            _ => &[],
        };
        [self.own_fields(), described].concat()
    }

    /// The same without those that describe a unit.
    fn own_fields(self) -> &'static [&'static str] {
        match self {
            Self::Buy => &[
                "model", "price", "asked", "inbound", "minutes", "date", "note",
            ],
            Self::Fund | Self::Draw => &["amount", "date", "note"],
            Self::Overhead => &["amount", "km", "per_km", "minutes", "what", "date"],
            Self::Part => &[
                "part", "count", "cost", "in_all", "inbound", "fits", "date", "note",
            ],
            Self::Drop => &["part", "count", "fits", "for", "date", "note"],
            Self::Reverse => &["entry", "date", "note"],
            Self::Spend => &["deal", "amount", "minutes", "what", "date"],
            Self::List => &["deal", "ask", "outlet", "date", "note"],
            Self::Unlist => &["deal", "outlet", "date", "note"],
            Self::Sold => &[
                "deal", "price", "outlet", "weight", "shipping", "fees", "sending", "how_sold",
                "offers", "minutes", "date", "note",
            ],
            Self::Use => &["deal", "part", "count", "date", "note"],
            Self::Harvest => &["deal", "parts", "fits", "minutes", "date", "note"],
            Self::Scrap => &["deal", "for", "date", "note"],
            Self::Refund => &["deal", "amount", "fees_back", "sending", "date", "note"],
            Self::Describe => &["deal", "date", "note"],
        }
    }
}

/// Why a form was not done.
pub enum Trouble {
    /// The error.
    Wrong(AppError),
    /// The model is new, and nearly this one.
    Near(String),
}

/// The events that can be recorded: of a deal, or in general.
///
/// # Errors
/// If the ledger cannot be read, or there is no such deal.
pub fn menu(ready: &Ready<'_>, deal: Option<&str>) -> Result<Markup, AppError> {
    let shown: Vec<Happened> = match deal {
        // The description of a unit is seen on its page.
        None => (Happened::ALL.into_iter())
            .filter(|one| *one != Happened::Describe)
            .collect(),
        Some(name) => {
            let ledger = read_ledger(ready.book(), &mut ready.notice())?;
            let deal = find_deal(&ledger, name, Wanted::Any, &ready.settings().words)?;
            let (open, sold) = (deal.closed_on.is_none(), deal.sale.is_some());
            let up = !Up::all(deal, ready.today()).is_empty();
            let fits = |one: &Happened| match one {
                Happened::Refund => sold && !open,
                Happened::Unlist => up,
                Happened::Reverse => true,
                one => open && one.of_deal(),
            };
            Happened::ALL.into_iter().filter(fits).collect()
        }
    };
    let address = |one: Happened| {
        let deal = deal.filter(|_| one.of_deal());
        let fields = [("record", one.word())].into_iter();
        format!(
            "/stock?{}",
            query(fields.chain(deal.map(|deal| ("deal", deal))))
        )
    };
    Ok(html! {
        section {
            h2 { "Record" @if let Some(deal) = deal { " for " (visible(deal)) } }
            ul.menu {
                @for one in &shown { li { a href=(address(*one)) { (one.label()) } } }
                @if let Some(deal) = deal.filter(|_| shown.contains(&Happened::List)) {
                    li { a href={ "/sell?" (query([("unit", deal)])) } { "Note an offer" } }
                }
            }
        }
    })
}

/// The form of what happened, and whether what is wrong stands beside its fields.
///
/// # Errors
/// If the book cannot be read.
pub fn part(
    ready: &Ready<'_>,
    happened: Happened,
    form: &Form,
    trouble: Option<&Trouble>,
) -> Result<(Markup, bool), AppError> {
    let form = match happened {
        Happened::Buy => with_unit(ready, form)?,
        Happened::Describe => described(ready, form)?,
        _ => form.clone(),
    };
    let error = match trouble {
        Some(Trouble::Wrong(error)) => Some(error),
        _ => None,
    };
    let fields = Fields::of(&form).with_error(error);
    let beside = error.is_some_and(|error| fields.shows(error, &happened.fields()));
    let above = error.filter(|_| !beside).map(refused);
    let near = match trouble {
        Some(Trouble::Near(near)) => Some(near.as_str()),
        _ => None,
    };
    let back = match form.get("deal").filter(|_| happened.of_deal()) {
        Some(deal) => format!("/stock?{}", query([("deal", deal)])),
        None => "/stock".into(),
    };
    let inner = html! {
        @if happened == Happened::Describe {
            input type="hidden" name="deal" value=(form.text("deal"));
            p { b { (visible(form.text("deal"))) } ": as it is, and as it will be sold." }
        } @else if happened.of_deal() { (deal_field(ready, happened, &fields)?) }
        (own(ready, happened, &fields, near)?)
        (fields.day("date", "Day", "Today if left out."))
        @if !matches!(happened, Happened::Spend | Happened::Overhead) { (fields.line("note", "Note", "")) }
    };
    let whole = happened != Happened::Buy || form.has("model");
    Ok((
        html! {
            @if let Some(above) = above { (above) }
            @if happened == Happened::Buy {
                form.live method="get" action="/stock" {
                    input type="hidden" name="record" value="buy";
                    h2 { (happened.label()) }
                    (model_field(ready, &fields)?)
                    (send("Next"))
                    p { a href="/stock" { "Back" } }
                }
            }
            @if whole {
                form method="post" action="/stock/do" {
                    (guarded(ready))
                    input type="hidden" name="record" value=(happened.word());
                    @if happened != Happened::Buy { h2 { (happened.label()) } }
                    (inner)
                    (send("Record it"))
                    @if happened != Happened::Buy { p { a href=(back) { "Back" } } }
                }
            }
        },
        beside,
    ))
}

/// The form with the description of its deal, unless it has one.
fn described(ready: &Ready<'_>, form: &Form) -> Result<Form, AppError> {
    if form.has("model") {
        return Ok(form.clone());
    }
    let mut named = Form::default();
    named.push("unit", form.text("deal"));
    let mut found = with_unit(ready, &named)?;
    form.fields()
        .for_each(|(name, value)| found.push(name, value));
    Ok(found)
}

/// The unit that a form is about.
fn deal_field(
    ready: &Ready<'_>,
    happened: Happened,
    fields: &Fields<'_>,
) -> Result<Markup, AppError> {
    let ledger = read_ledger(ready.book(), &mut ready.notice())?;
    let open = deal_names(ready.book(), false, &mut |_| {})?;
    let sold = happened == Happened::Refund;
    let fits = ledger.deals().filter(|deal| {
        if sold {
            deal.sale.is_some() && deal.closed_on.is_some()
        } else {
            open.contains(&deal.name())
        }
    });
    let mut deals: Vec<(String, String)> = fits
        .map(|deal| {
            (
                deal.name(),
                format!("{}: {}", deal.name(), sheet::unit(&deal.unit)),
            )
        })
        .collect();
    deals.reverse();
    let none = if sold {
        "no unit is sold"
    } else {
        "no unit is in stock"
    };
    let choices: Vec<Choice<'_>> = match deals.as_slice() {
        [] => vec![("", none)],
        some => some
            .iter()
            .map(|(name, unit)| (name.as_str(), unit.as_str()))
            .collect(),
    };
    Ok(fields.select("deal", "Unit", "", &choices))
}

/// The fields that only this form has.
fn own(
    ready: &Ready<'_>,
    happened: Happened,
    fields: &Fields<'_>,
    near: Option<&str>,
) -> Result<Markup, AppError> {
    let code = &ready.settings().currency.code;
    let amount = format!("How much, in {code}");
    let worked = || fields.number("minutes", "Minutes of work", "");
    let count = || fields.number("count", "How many", "1 if left out.");
    let got = format!("What you got for it, in {code}");
    let got = || fields.number("for", &got, "Nothing if left out.");
    Ok(match happened {
        Happened::Buy => buy(ready, fields, near)?,
        Happened::Fund | Happened::Draw => fields.number("amount", &amount, ""),
        Happened::Overhead => html! {
            (fields.number("amount", &amount, "Leave it out with kilometres, or if it was only time."))
            (fields.line("what", "What for", ""))
            (fields.tick("own", "Paid out of your own pocket"))
            (worked())
            (fields.number("km", "Kilometres in your own car, instead of an amount", ""))
            (fields.number("per_km", "Cost of a kilometre", "By compband.toml if left out."))
        },
        Happened::Part => html! {
            (part_field(ready, fields)?)
            (count())
            (fields.number("cost", &format!("Cost of one, in {code}"), ""))
            (fields.number("in_all", "Or the cost of all of them", ""))
            (fields.number("inbound", "Shipping to you", "Nothing if left out."))
            (fits(ready, fields, "Models that it fits")?)
        },
        Happened::Drop => html! {
            (part_field(ready, fields)?)
            (count())
            (got())
            (fits(ready, fields, "Only those that fit this model")?)
        },
        Happened::Reverse => fields.number(
            "entry",
            "Number of the ledger entry",
            "Of one deal, the last entry first.",
        ),
        Happened::Spend => html! {
            (fields.number("amount", &amount, "Leave it out if it was only time."))
            (fields.line("what", "What for", ""))
            (worked())
        },
        Happened::List => html! {
            (fields.number("ask", &format!("Asking price, in {code}"), ""))
            (outlet(ready, fields))
        },
        Happened::Unlist => outlet(ready, fields),
        Happened::Sold => sold(ready, fields),
        Happened::Use => html! { (part_field(ready, fields)?) (count()) },
        Happened::Harvest => html! {
            (fields.line("parts", "Parts that you keep, each with what it is worth", "display = 18; battery x2 = 6"))
            (fits(ready, fields, "Other models that they fit")?)
            (worked())
        },
        Happened::Scrap => got(),
        Happened::Describe => {
            let model = fields.form().text("model");
            html! {
                input type="hidden" name="model" value=(model);
                (unit::fields(ready.settings(), &*ready.choices(model)?, fields))
            }
        }
        Happened::Refund => html! {
            (fields.number("amount", &format!("Money given back, in {code}"), "All the buyer paid, if the unit came back."))
            (fields.tick("back", "The unit came back: it is in stock again"))
            (fields.number("fees_back", "Fees the outlet pays back", "Nothing if left out."))
            (fields.number("sending", "What you pay for the return", "Nothing if left out."))
        },
    })
}

fn buy(ready: &Ready<'_>, fields: &Fields<'_>, near: Option<&str>) -> Result<Markup, AppError> {
    let model = fields.form().text("model");
    if model.is_empty() {
        return Ok(html! {});
    }
    let code = &ready.settings().currency.code;
    Ok(html! {
        input type="hidden" name="model" value=(model);
        @if let Some(near) = near {
            fieldset.field.asked {
                legend { "The book has no model " b { (visible(model)) } ". Is it " b { (visible(near)) } "?" }
                div.chips {
                    @for (value, words) in [(near, "Yes"), (model, "No, a new model")] {
                        (open_chip("radio", &format!("near-{words}"), ("sure", value), words, true))
                    }
                }
            }
        }
        h2 { "What you paid" }
        (fields.number("price", &format!("Price paid, in {code}"), "Without the cost of getting it to you."))
        (fields.number("inbound", "Cost of getting it to you", "Nothing if left out."))
        (fields.number("asked", "What the seller asked", ""))
        (fields.number("minutes", "Minutes of work so far", ""))
        h2 { "The unit as you will sell it" }
        (unit::fields(ready.settings(), &*ready.choices(model)?, fields))
    })
}

fn sold(ready: &Ready<'_>, fields: &Fields<'_>) -> Markup {
    let code = &ready.settings().currency.code;
    let how = HowSold::ALL.map(|how| (how.as_str(), how.word()));
    let how = or_open("not said", how);
    let more = ["weight", "shipping", "fees", "sending", "offers"];
    let form = fields.form();
    html! {
        (fields.number("price", &format!("Price without shipping, in {code}"), "Its asking price if left out."))
        (outlet(ready, fields))
        (fields.one_of("how_sold", "How it was sold", &how))
        (fields.tick("log_comp", "Use the sale in estimates too"))
        (fields.number("minutes", "Minutes for listing and packing", ""))
        details open[more.iter().any(|name| form.has(name))] id="real" {
            summary { "Fees and shipping as they were" }
            (fields.number("shipping", "Shipping paid by the buyer", "By the outlet if left out."))
            (fields.number("fees", "All fees you paid", "By the outlet if left out."))
            (fields.number("sending", "What sending and packing cost", "By the weight if left out."))
            (fields.number("weight", "Weight of the parcel, in grams", ""))
            (fields.number("offers", "Offers you got, with this one", "Those noted if left out."))
        }
    }
}

/// The outlets of the book.
fn outlet(ready: &Ready<'_>, fields: &Fields<'_>) -> Markup {
    let names = ready.settings().outlets.keys();
    let choices = or_open(
        "the usual one, or that of the listing",
        names.map(|name| same(name)),
    );
    html! { @if choices.len() > 1 { (fields.select("outlet", "Outlet", "", &choices)) } }
}

/// The name of a part, with those of the drawer.
fn part_field(ready: &Ready<'_>, fields: &Fields<'_>) -> Result<Markup, AppError> {
    let ledger = read_ledger(ready.book(), &mut ready.notice())?;
    let mut names: Vec<&str> = ledger
        .drawer()
        .lots()
        .map(|lot| lot.name.as_str())
        .collect();
    names.sort_unstable();
    names.dedup();
    Ok(html! {
        (fields.listed("part", "Part", "", "part-names", false))
        datalist id="part-names" { @for name in names { option value=(name) {} } }
    })
}

fn fits(ready: &Ready<'_>, fields: &Fields<'_>, label: &str) -> Result<Markup, AppError> {
    Ok(html! {
        (fields.listed("fits", label, "Separate several by ;", MODELS, false))
        (model_list(ready.models()?))
    })
}
