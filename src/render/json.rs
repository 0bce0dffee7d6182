//! An estimate as JSON, schema `compband.estimate/1`.
//!
//! Money is a decimal string in the currency named at the top; shares are numbers from 0 to 1,
//! per cents are named so; dates are ISO 8601. Keys may be added within a schema version, never
//! renamed or removed. `data/estimate-1.schema.json` describes every key.

use serde::Serialize;
use serde_json::{Value, json};

use crate::band::estimate::{Adjustment, CompLine, Estimate, Spread};
use crate::trade::comp::PriceBasis;
use crate::trade::money::money_text;
use crate::trade::{Attributes, Currency, Foreign, Items};

/// Name and version of the schema.
pub const SCHEMA: &str = "compband.estimate/1";

/// Bands that every document carries besides the one asked for, per cent.
const BANDS: [u8; 4] = [50, 80, 90, 95];

/// The whole estimate.
pub fn document(estimate: &Estimate) -> Value {
    let money = |value: f64| statistic(&estimate.currency, value);
    let subject = &estimate.subject;
    let evidence = &estimate.evidence;
    json!({
        "schema": SCHEMA,
        "compband": env!("CARGO_PKG_VERSION"),
        "as_of": estimate.as_of.to_string(),
        "currency": estimate.currency.code,
        "price_basis": match estimate.basis { PriceBasis::Delivered => "delivered", PriceBasis::Item => "item" },
        "unit": {
            "model": subject.model,
            "variant": subject.variant,
            "completeness": subject.completeness,
            "grade": subject.grade,
            "missing": items(&subject.missing),
            "extras": items(&subject.extras),
            "defects": items(&subject.defects),
            "attributes": attributes(&subject.attributes),
            "works": subject.works,
            "how_sold": subject.how_sold.map(|h| h.as_str()),
        },
        "assumptions": estimate.assumptions,
        "likely_price": money_text(estimate.median),
        "band": {
            "chance_percent": estimate.chance,
            "low": money_text(estimate.low),
            "high": money_text(estimate.high),
            "made_by": json!({"kind": "model"}),
        },
        "bands": BANDS.map(|chance| {
            let (low, high) = estimate.outcome.band(f64::from(chance) / 100.0);
            json!({
                "chance_percent": chance,
                "low": money(low.exp()),
                "high": money(high.exp()),
                "made_by": json!({"kind": "model"}),
            })
        }),
        "evidence": {
            "comps_seen": evidence.seen,
            "comps_used": evidence.used,
            "comps_undated": evidence.undated,
            "comps_converted": evidence.converted,
            "effective_comps": evidence.effective,
            "other_models": evidence.other_models,
            "other_models_comps": evidence.other_comps,
            "newest": evidence.newest.map(|d| d.to_string()),
            "oldest": evidence.oldest.map(|d| d.to_string()),
            "steps": evidence.steps.iter().map(|step| json!({
                "day": step.day.to_string(),
                "percent": {"value": step.percent.value, "low": step.percent.low, "high": step.percent.high},
                "probability": step.probability,
            })).collect::<Vec<_>>(),
            "trend_percent_per_month": evidence.trend_percent.map(|t| json!({"value": t.value, "low": t.low, "high": t.high})),
            "spread_percent": evidence.spread_percent,
            "level_percent": evidence.level_percent,
            "sale_percent": evidence.sale_percent,
            "widening": estimate.steps.iter().map(|s| json!({
                "step": s.label(), "brought": s.brought, "total": s.total,
            })).collect::<Vec<_>>(),
            "fit_rounds": evidence.places,
            "fit_settled": evidence.settled,
        },
        "checked_on_book": estimate.own.map(|own| json!({
            "chance_percent": 80, "held": own.held, "of": own.of, "widening": own.widening,
        })),
        "adjustments": estimate.adjustments.iter().map(|a| adjustment(&estimate.currency, a)).collect::<Vec<_>>(),
        "comps": estimate.comps.iter().map(|line| comp(&estimate.currency, line)).collect::<Vec<_>>(),
        "warnings": estimate.warnings,
        "density": estimate.density().iter().map(|(price, density)| json!([price, density])).collect::<Vec<_>>(),
        "disclaimer": "An estimate from recorded sales, not a promise; not tax or legal advice.",
    })
}

fn statistic(currency: &Currency, value: f64) -> Option<String> {
    currency.from_statistics(value).map(money_text)
}

fn items(items: &Items) -> Vec<Value> {
    items
        .iter()
        .map(|(name, count)| json!({"name": name, "count": count}))
        .collect()
}

fn attributes(attributes: &Attributes) -> Vec<Value> {
    attributes
        .iter()
        .map(|(name, value)| json!({"name": name, "value": value.to_string()}))
        .collect()
}

fn adjustment(currency: &Currency, a: &Adjustment) -> Value {
    #[derive(Serialize)]
    struct Money {
        value: Option<String>,
        low: Option<String>,
        high: Option<String>,
    }
    let money = |spread: &Spread| Money {
        value: statistic(currency, spread.value),
        low: statistic(currency, spread.low),
        high: statistic(currency, spread.high),
    };
    json!({
        "what": a.label,
        "on_unit": a.on_unit,
        "rule_of_thumb": money(&a.rule),
        "from_other_models": a.others.as_ref().map(|others| json!({
            "money": money(&others.spread),
            "models": others.models,
            "share": others.share,
        })),
        "from_comps": a.comps.as_ref().map(money),
        "used": money(&a.used),
        "used_percent": a.used_percent,
        "source": a.source().label(),
        "share_from_comps": a.from_comps,
        "comps_informing": a.informed_by,
        "held_at_zero_by_sign": false,
    })
}

fn foreign(paid: &Foreign) -> Value {
    json!({
        "currency": paid.currency,
        "price": money_text(paid.price),
        "shipping": money_text(paid.shipping),
        "rate": paid.rate.value.normalize().to_string(),
        "rate_date": paid.rate.date.to_string(),
        "rate_source": paid.rate.source,
    })
}

fn comp(currency: &Currency, line: &CompLine) -> Value {
    let comp = &line.comp;
    json!({
        "comp_id": comp.comp_id,
        "origin": comp.origin,
        "sold_on": comp.sold_on.map(|day| day.to_string()),
        "variant": comp.variant,
        "completeness": comp.completeness,
        "grade": comp.grade,
        "missing": items(&comp.missing),
        "extras": items(&comp.extras),
        "defects": items(&comp.defects),
        "attributes": attributes(&comp.attributes),
        "works": comp.works,
        "how_sold": comp.how_sold.map(|h| h.as_str()),
        "paid": money_text(comp.paid),
        "converted_from": comp.foreign.as_deref().map(foreign),
        "adjusted": line.adjusted.and_then(|price| statistic(currency, price)),
        "weight": line.weight,
        "used": comp.dropped.is_none(),
        "kept_by_hand": comp.pinned,
        "dropped": comp.dropped.map(|d| json!({"code": d.code(), "reason": d.reason()})),
    })
}
