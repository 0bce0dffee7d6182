use std::path::Path;

use proptest::prelude::*;

use super::*;

const SETTINGS: &str = r#"
[kits."Nulva 61K"]
ships_with = ["battery", "charger", "strap", "wind screen"]
[kits."Bolv 83V"]
ships_with = ["aerial", "battery door"]
[rules.missing]
charger = "8 to 20"
[rules.extras]
"spare battery" = "5 to 15"
[rules.defects]
"light scratches" = "3 to 30 %"
[words.model]
"Bolv Radio" = "Bolv 83V"
[words.pieces]
PSU = "charger"
"#;

fn settings() -> Settings {
    Settings::parse(SETTINGS, Path::new("compband.toml")).unwrap()
}

/// A Wednesday.
fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 11, 25).unwrap()
}

fn known(settings: &Settings) -> Known<'_> {
    let models = ["Tumrik QN 948", "Tumrik", "Zarve Mini"].map(String::from);
    let names = |names: &[&str]| names.iter().map(ToString::to_string).collect();
    Known::new(settings, models.into(), vec!["XCU".into()], today()).with_sales(move |_| OfModel {
        variants: names(&["32 GB", "grey"]),
        pieces: names(&["wall plug", "sleeve"]),
        venues: names(&["flea market", "online"]),
    })
}

fn read(line: &str) -> Line {
    let settings = settings();
    Line::read(&[line.to_string()], None, &known(&settings))
}

/// The values of a line as `column value`, in the order of the columns.
fn values_of(line: &Line) -> Result<Vec<String>, String> {
    let values = line.values().map_err(|error| error.to_string())?;
    let cells = COLUMNS
        .iter()
        .filter_map(|column| Some((*column, values.get(column)?)));
    let cells = cells.map(|(column, value)| format!("{column} {value}"));
    Ok(cells.chain(values.set.iter().cloned()).collect())
}

#[test]
fn a_line_is_read_by_what_the_book_knows() {
    for (line, expected) in [
        (
            "BOLV 83V B usable -aerial +wall plug 120 yesterday",
            "sold_on 2026-11-24|model Bolv 83V|completeness usable|grade B|missing aerial|extras wall plug|price 120.00",
        ),
        ("bolv83v 120", "model Bolv 83V|price 120.00"),
        ("bolv radio for 120 EUR", "model Bolv 83V|price 120.00"),
        ("tumrik 948", "model Tumrik|price 948.00"),
        ("Tumrik QN 948 12,50€", "model Tumrik QN 948|price 12.50"),
        (
            "Tumrik QN 948 120+4.90",
            "model Tumrik QN 948|price 120.00|shipping 4.90",
        ),
        (
            "Tumrik QN 948 120 + 4,90",
            "model Tumrik QN 948|price 120.00|shipping 4.90",
        ),
        (
            "Tumrik QN 948 120 +4.90",
            "model Tumrik QN 948|price 120.00|shipping 4.90",
        ),
        (
            "Tumrik QN 948 120 shipping 4.90",
            "model Tumrik QN 948|price 120.00|shipping 4.90",
        ),
        (
            "Tumrik QN 948 120 4.90 shipping",
            "model Tumrik QN 948|price 120.00|shipping 4.90",
        ),
        (
            "Tumrik QN 948 120, free shipping",
            "model Tumrik QN 948|price 120.00|shipping 0",
        ),
        (
            "Tumrik QN 948 45 XCU",
            "model Tumrik QN 948|price 45.00|currency XCU",
        ),
        (
            "Nulva 61K 3 days ago 9",
            "sold_on 2026-11-22|model Nulva 61K|price 9.00",
        ),
        (
            "Nulva 61K 20.11. 9",
            "sold_on 2026-11-20|model Nulva 61K|price 9.00",
        ),
        (
            "Nulva 61K 26.11. 9",
            "sold_on 2025-11-26|model Nulva 61K|price 9.00",
        ),
        (
            "Nulva 61K on monday 20.11",
            "sold_on 2026-11-23|model Nulva 61K|price 20.11",
        ),
        (
            "Nulva 61K 2026-11-02 A 9",
            "sold_on 2026-11-02|model Nulva 61K|grade A|price 9.00",
        ),
        (
            "Nulva 61K a week ago 9",
            "sold_on 2026-11-18|model Nulva 61K|price 9.00",
        ),
        (
            "Nulva 61K sold for 9 auction",
            "model Nulva 61K|price 9.00|how_sold auction",
        ),
        (
            "Nulva 61K for parts 9",
            "model Nulva 61K|works no|price 9.00",
        ),
        (
            "Nulva 61K parts x3 9",
            "model Nulva 61K|works no|price 9.00|lot_size 3",
        ),
        ("3x Nulva 61K 9", "model Nulva 61K|price 9.00|lot_size 3"),
        (
            "lot of 3 Nulva 61K 9",
            "model Nulva 61K|price 9.00|lot_size 3",
        ),
        (
            "Nulva 61K 32 gb 9",
            "model Nulva 61K|variant 32 GB|price 9.00",
        ),
        (
            "Nulva 61K 9 Flea Market",
            "model Nulva 61K|price 9.00|venue flea market",
        ),
        (
            "Nulva 61K light scratches 9",
            "model Nulva 61K|defects light scratches|price 9.00",
        ),
        (
            "Nulva 61K -charger, -wind screen; -2x strap 9",
            "model Nulva 61K|missing charger; wind screen; strap x2|price 9.00",
        ),
        (
            "Nulva 61K -\"lens cap x2\" +'odd thing' -psu 9",
            "model Nulva 61K|missing lens cap x2; charger|extras odd thing|price 9.00",
        ),
        (
            "Nulva 61K \u{2212}charger 9",
            "model Nulva 61K|missing charger|price 9.00",
        ),
        (
            "Nulva 61K 9 note=\"two words, 3\" storage=256 day=20.11. grade=C",
            "sold_on 2026-11-20|model Nulva 61K|grade C|price 9.00|note two words, 3|storage=256",
        ),
    ] {
        let values = values_of(&read(line)).map(|all| all.join("|"));
        assert_eq!(values.as_deref(), Ok(expected), "{line}");
    }
}

#[test]
fn nothing_is_guessed() {
    for (line, expected) in [
        ("Bolv 83V 120 45", "price: 120.00 or 45.00, which one?"),
        (
            "Bolv 83V Nulva 61K 9",
            "model: Bolv 83V or Nulva 61K, which one?",
        ),
        ("Bolv 83V B C 9", "grade: B or C, which one?"),
        ("Bolv 83V 9 20261120", "\"20261120\" can be: date or price"),
        (
            "Zed 1 B 120",
            "price: 1.00 or 120.00, which one?; \"Zed\" is not understood",
        ),
        (
            "Bolw 83V 120",
            "\"Bolw 83V\" is not understood (did you mean \"Bolv 83V\"?)",
        ),
        ("Bolv 83V fair 120", "\"fair\" is not understood"),
        (
            "Bolv 83V -chrager 120",
            "\"-chrager\" is not understood (did you mean \"charger\"?)",
        ),
        ("Bolv 83V -b 120", "reads as grade, not a piece"),
        ("Bolv 83V -120", "a negative amount"),
        ("Bolv 83V - aerial 120", "\"- aerial\" is not understood"),
        ("Bolv 83V $120", "the book is in EUR"),
        ("Bolv 83V 1 234", "price: 1.00 or 234.00"),
        ("Bolv 83V 31.2. 9", "a date as 2026-11-20"),
        ("Bolv 83V 2026-11-30 9", "2026-11-30 is in the future"),
        ("Bolv 83V yes 9", "\"yes\" is not understood"),
        (
            "Bolv 83V +odd hood 9",
            "\"hood\" is not understood (a new piece needs quotation marks: \"odd hood\")",
        ),
        ("Bolv 83V sold", "\"sold\" is not understood"),
    ] {
        let error = values_of(&read(line)).unwrap_err();
        assert!(error.contains(expected), "{line}: {error}");
    }
    // A count behind a piece may be that of the units.
    let mut two = read("Bolv 83V -aerial x2 9");
    let error = values_of(&two).unwrap_err();
    assert!(
        error.contains("\"x2\" can be: units or missing piece"),
        "{error}"
    );
    two.choose(2, "missing");
    assert_eq!(
        values_of(&two).unwrap(),
        ["model Bolv 83V", "missing aerial; aerial x1", "price 9.00"]
    );
    let units = values_of(&read("Bolv 83V -aerial 2x 9")).unwrap();
    assert_eq!(units[3], "lot_size 2");
}

#[test]
fn doubts_are_settled_one_after_another() {
    let mut line = read("Zed 1 b 120 20261120");
    line.choose(4, "sold_on");
    assert!(
        matches!(&line.doubts()[0], Doubt::Several { values, .. } if *values == ["1.00", "120.00"])
    );
    line.keep("price", "120.00");
    let doubts = line.doubts();
    let [Doubt::Unknown { at, words, .. }] = doubts.as_slice() else {
        panic!("{doubts:?}")
    };
    assert_eq!(words, "Zed 1");
    line.mean(at, vec![("model", words.clone())]);
    assert_eq!(
        values_of(&line).unwrap(),
        [
            "sold_on 2026-11-20",
            "model Zed 1",
            "grade B",
            "price 120.00"
        ]
        .map(|value| match value {
            "grade B" => "grade b".to_string(),
            other => other.to_string(),
        })
    );
}

#[test]
fn flags_add_to_a_line_and_do_not_contradict_it() {
    let settings = settings();
    let flag = |column: &str, value: &'static str| {
        let mut cells: Cells<'static> = Default::default();
        cells[place(column).unwrap()] = Some(value);
        cells
    };
    let both = |column, value| {
        let values = read("Bolv 83V b 120 yesterday").values().unwrap();
        values.with_flags(&flag(column, value), &[], &settings, today())
    };
    assert_eq!(both("note", "new").unwrap().get("note"), Some("new"));
    assert_eq!(both("grade", "B").unwrap().get("grade"), Some("B"));
    assert_eq!(
        both("price", "€120.00").unwrap().get("price"),
        Some("€120.00")
    );
    assert!(both("sold_on", "2026-11-24").is_ok());
    let error = both("grade", "C").unwrap_err().to_string();
    assert_eq!(error, "grade: \"b\" in the line, but \"C\" besides");
    // A model that a flag names is known in the line.
    let words = ["-wind".to_string(), "screen".into(), "9".into()];
    let line = Line::read(&words, Some("Zed 1"), &known(&settings));
    assert_eq!(
        values_of(&line).unwrap(),
        ["missing wind screen", "price 9.00"]
    );
}

#[test]
fn a_value_of_another_field_is_recognized() {
    let settings = settings();
    let known = known(&settings);
    for (column, text, other) in [
        ("grade", "120", Some("price")),
        ("grade", "12,50 €", Some("price")),
        ("grade", "usable", Some("completeness")),
        ("grade", "b", None),
        ("grade", "E", None),
        ("model", "120", Some("price")),
        ("model", "C", Some("grade")),
        ("model", "yesterday", Some("sold_on")),
        ("model", "bolv 83v", None),
        ("model", "Zed 1", None),
        ("price", "B", Some("grade")),
        ("price", "12", None),
        ("missing", "B", Some("grade")),
        ("missing", "charger", None),
        ("missing", "", None),
    ] {
        assert_eq!(known.other_field(column, text), other, "{column} {text}");
    }
}

#[test]
fn values_are_written_so_that_they_read_back() {
    let settings = settings();
    let known = known(&settings);
    for (column, value, expected) in [
        ("completeness", "usable", Some("usable")),
        ("grade", "B", Some("B")),
        ("venue", "flea market", Some("flea market")),
        ("venue", "my stall", Some("venue=\"my stall\"")),
        ("venue", "auction", Some("venue=\"auction\"")),
        ("note", "5\" screen", Some("note='5\" screen'")),
        ("note", "'a' or \"b\"", None),
    ] {
        let text = written(column, value, "Nulva 61K", &known);
        assert_eq!(text.as_deref(), expected, "{column} {value}");
        if let Some(text) = text {
            let read = Line::read(&[text], Some("Nulva 61K"), &known)
                .values()
                .unwrap();
            assert_eq!(read.get(column), Some(value));
        }
    }
}

/// A word of a line, as it may be typed, and the values that it gives.
fn part(choices: Vec<(String, Reading)>) -> impl Strategy<Value = Option<(String, Reading)>> {
    proptest::option::of(proptest::sample::select(choices))
}

fn of(column: &'static str, forms: &[(&str, &str)]) -> Vec<(String, Reading)> {
    let form =
        |(typed, value): &(&str, &str)| (typed.to_string(), vec![(column, value.to_string())]);
    forms.iter().map(form).collect()
}

fn price_forms() -> impl Strategy<Value = (String, Reading)> {
    (1_u32..100_000, 0_u32..2_000, 0_usize..7).prop_map(|(price, shipping, form)| {
        let text = |minor: u32| format!("{}.{:02}", minor / 100, minor % 100);
        let (price, shipping) = (text(price), text(shipping));
        let (typed, both) = match form {
            0 => (format!("{price}+{shipping}"), true),
            1 => (format!("€{price}"), false),
            2 => (format!("{} EUR", price.replace('.', ",")), false),
            3 => (format!("for {price}"), false),
            4 => (format!("{price} shipping {shipping}"), true),
            5 => (format!("{price} +{shipping}"), true),
            _ => (price.clone(), false),
        };
        let mut reading = vec![("price", price)];
        reading.extend(both.then_some(("shipping", shipping)));
        (typed, reading)
    })
}

/// The arguments that a shell makes of a line: split at spaces, without quotation marks.
fn shell_words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut mark = None;
    for c in line.chars() {
        match mark {
            Some(open) if c == open => mark = None,
            None if c == '"' || c == '\'' => mark = Some(c),
            None if c == ' ' => words.push(String::new()),
            _ => words.last_mut().unwrap().push(c),
        }
    }
    words
}

proptest! {
    /// A line written from a sale reads back as that sale, in whatever order and form.
    #[test]
    fn a_line_written_from_a_sale_reads_back(
        model in proptest::sample::select(of("model", &[
            ("Nulva 61K", "Nulva 61K"), ("bolv 83V", "Bolv 83V"), ("BOLV RADIO", "Bolv 83V"),
            ("tumrik qn948", "Tumrik QN 948"), ("model='Zed 1 x'", "Zed 1 x"),
        ])),
        price in price_forms(),
        parts in (
            part(of("grade", &[("b", "B"), ("A", "A"), ("grade C", "C")])),
            part(of("completeness", &[("usable", "usable"), ("Full", "full")])),
            part(of("variant", &[("32GB", "32 GB"), ("grey", "grey")])),
            part(of("missing", &[("-charger", "charger"), ("-wind screen", "wind screen"), ("-\"odd x3\"", "odd x3"),
                ("missing='a b; c'", "a b; c")])),
            part(of("extras", &[("+sleeve", "sleeve"), ("+2x wall plug", "wall plug x2")])),
            part(of("sold_on", &[("yesterday", "2026-11-24"), ("20.11.", "2026-11-20"), ("2026-1-5", "2026-01-05"),
                ("3 days ago", "2026-11-22"), ("last fri", "2026-11-20")])),
            part(of("how_sold", &[("auction", "auction"), ("FIXED", "fixed")])),
            part(of("works", &[("for parts", "no"), ("parts", "no")])),
            part(of("lot_size", &[("lot of 3", "3"), ("12x", "12")])),
            part(of("venue", &[("online", "online"), ("venue=\"my stall\"", "my stall")])),
        ),
        order in Just((0..12_usize).collect::<Vec<_>>()).prop_shuffle(),
        one_text in any::<bool>(),
    ) {
        let (grade, completeness, variant, missing, extras, day, how, works, lot, venue) = parts;
        let all = [Some(model), Some(price), grade, completeness, variant, missing, extras, day, how, works, lot, venue];
        let chosen: Vec<(String, Reading)> = order.iter().filter_map(|at| all[*at].clone()).collect();
        let mut expected = Values::default();
        for (column, value) in chosen.iter().flat_map(|(_, reading)| reading) {
            expected.put(column, value);
        }
        let typed: Vec<&str> = chosen.iter().map(|(typed, _)| typed.as_str()).collect();
        let typed = typed.join(" ");
        let words: Vec<String> = if one_text {
            vec![typed.clone()]
        } else {
            shell_words(&typed)
        };
        let settings = settings();
        let line = Line::read(&words, None, &known(&settings));
        let read = line.values().map_err(|error| TestCaseError::fail(format!("{typed}: {error}")))?;
        for column in COLUMNS {
            let (read, expected) = (read.get(column), expected.get(column));
            prop_assert_eq!(read.map(match_key), expected.map(match_key), "{} of {}", column, &typed);
        }
    }

    #[test]
    fn no_text_panics(text in any::<String>()) {
        let _ = read(&text).values();
    }
}
