//! Compares the committed schemas with the types.

use std::fs;
use std::path::Path;

use schemars::generate::SchemaSettings;
use schemars::transform::{RecursiveTransform, Transform};
use schemars::{JsonSchema, Schema};
use serde_json::Value;

use super::{ask, bid, check, compare, estimate, ledger, net, parts, refresh, year};

/// If this variable is set, the test writes the schemas instead.
const WRITE: &str = "COMPBAND_WRITE_SCHEMAS";

/// Removes the width of Rust's numbers from schemas, and joins the lines of descriptions.
fn plain(schema: &mut Schema) {
    let typed = |name: &str, schema: &Schema| match schema.get("type") {
        Some(Value::Array(types)) => types.iter().any(|t| t == name),
        one => one.is_some_and(|t| t == name),
    };
    if typed("integer", schema) || typed("number", schema) {
        for key in ["format", "minimum", "maximum"] {
            schema.remove(key);
        }
    }
    if let Some(Value::String(text)) = schema.get("description") {
        let line = text.replace('\n', " ");
        schema.insert("description".into(), line.into());
    }
}

fn derived<T: JsonSchema>(name: &str) -> String {
    let settings = SchemaSettings::draft2020_12().for_serialize().with(|s| {
        s.inline_subschemas = true;
    });
    let mut schema = settings.into_generator().into_root_schema_for::<T>();
    RecursiveTransform(plain).transform(&mut schema);
    schema.insert("title".into(), format!("compband.{name}/1").into());
    format!("{:#}\n", schema.to_value())
}

#[test]
fn committed_schemas_are_those_of_the_types() {
    let schemas = [
        ("ask", derived::<ask::Ask<'_>>("ask")),
        ("bid", derived::<bid::Bid<'_>>("bid")),
        ("check", derived::<check::Check<'_>>("check")),
        ("compare", derived::<compare::Compare<'_>>("compare")),
        ("estimate", derived::<estimate::Estimate<'_>>("estimate")),
        ("history", derived::<refresh::History<'_>>("history")),
        ("ledger", derived::<ledger::Ledger<'_>>("ledger")),
        ("net", derived::<net::Net<'_>>("net")),
        ("offer", derived::<ask::Offer<'_>>("offer")),
        ("parts", derived::<parts::Parts<'_>>("parts")),
        ("refresh", derived::<refresh::Refresh<'_>>("refresh")),
        ("year", derived::<year::Document<'_>>("year")),
    ];
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("data");
    for (name, derived) in schemas {
        let path = data.join(format!("{name}-1.schema.json"));
        if std::env::var_os(WRITE).is_some() {
            fs::write(&path, &derived).unwrap();
        }
        let committed = fs::read_to_string(&path).unwrap();
        assert!(
            committed == derived,
            "{} is not what the types say; write it anew with {WRITE}=1 cargo test --lib committed_schemas",
            path.display()
        );
    }
}
