//! Net of a price: an outlet's charges, shipping, packing and returns, exact.
//!
//! Every line is rounded to the currency's minor unit separately, as the outlet rounds, so that the
//! net is the sum of the lines shown. The price needed for a net is found by search, because
//! rounding and tiers make the net jump: see [`Terms::price_for`].

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::settings::selling::{Base, Charge, Outlet, Shipping, ShippingPaidBy, TiersApply};
use crate::trade::Currency;
use crate::trade::comp::PriceBasis;
use crate::trade::money::MOST_MONEY;

/// One line of a net.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its purpose.
    pub item: Item,
    /// Money: positive for income, negative for costs. A whole number of minor units.
    pub amount: Decimal,
    /// Base of the per cent.
    pub of: Option<Decimal>,
    /// The per cent, if a single one applied without a limit.
    pub percent: Option<Decimal>,
}

/// Purpose of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Item {
    /// The price.
    Price,
    /// Shipping that the buyer pays.
    ShippingPaid,
    /// Proportional part of the selling fee.
    Fee,
    /// Fixed part of the selling fee.
    FixedFee,
    /// Proportional part of the payment fee.
    Payment,
    /// Fixed part of the payment fee.
    FixedPayment,
    /// Proportional part of the promotion.
    Promotion,
    /// Fixed part of the promotion.
    FixedPromotion,
    /// Postage.
    Postage,
    /// Packing.
    Packing,
    /// Expected cost of returns.
    Returns,
}

/// A price with all costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Net {
    /// The lines, without those that are zero.
    pub lines: Vec<Line>,
    /// Their sum.
    pub net: Decimal,
}

impl Net {
    /// Income: the price and the shipping that the buyer pays.
    pub fn revenue(&self) -> Decimal {
        self.lines
            .iter()
            .map(|line| line.amount.max(Decimal::ZERO))
            .sum()
    }

    /// Costs, not negative.
    pub fn costs(&self) -> Decimal {
        self.revenue() - self.net
    }
}

/// Source of the postage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PostageFrom {
    /// The weight bands of the settings.
    Weight,
    /// No weight or band is known: the shipping that the buyer pays.
    AsPaid,
    /// No weight or band is known, and the buyer pays nothing: postage is not counted.
    Unknown,
    /// The unit is not sent.
    Collected,
}

/// The terms of one sale through an outlet, without the price.
#[derive(Debug, Clone)]
pub struct Terms<'a> {
    outlet: &'a Outlet,
    decimals: u32,
    /// Shipping that the buyer pays.
    pub shipping_paid: Decimal,
    /// Postage.
    pub postage: Decimal,
    /// Source of the postage.
    pub postage_from: PostageFrom,
    /// Weight in grams, if known.
    pub weight: Option<Decimal>,
    packing: Decimal,
}

/// Reason why there are no terms.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TermsError {
    /// No weight band covers it.
    #[error("a parcel of {0} g is heavier than every band of [shipping]")]
    TooHeavy(Decimal),
    /// Shipping is paid for a unit that is not sent.
    #[error("units sold at this outlet are collected, so nobody pays {0} for shipping")]
    NotSent(Decimal),
}

/// The price needed for a net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Needed {
    /// The lowest price whose net is at least the wanted one.
    pub least: Decimal,
    /// The lowest price from which on *every* price has such a net: above `least` if the net falls
    /// in between, by rounding or at the edge of a tier.
    pub always_from: Decimal,
}

impl<'a> Terms<'a> {
    /// Terms for a parcel of `weight` grams (default: the usual weight of the settings) and
    /// `shipping_paid` by the buyer (default: the postage if the buyer pays it at this outlet, else
    /// nothing).
    ///
    /// # Errors
    /// [`TermsError`].
    pub fn new(
        outlet: &'a Outlet,
        shipping: &Shipping,
        currency: &Currency,
        weight: Option<Decimal>,
        shipping_paid: Option<Decimal>,
    ) -> Result<Self, TermsError> {
        let weight = weight.or(shipping.weight);
        let decimals = currency.decimals();
        let round = |amount| outlet.rounding.round(amount, decimals);
        if outlet.shipping == ShippingPaidBy::Collected {
            if let Some(paid) = shipping_paid.filter(|paid| !paid.is_zero()) {
                return Err(TermsError::NotSent(paid));
            }
            return Ok(Self {
                outlet,
                decimals,
                shipping_paid: Decimal::ZERO,
                postage: Decimal::ZERO,
                postage_from: PostageFrom::Collected,
                weight,
                packing: Decimal::ZERO,
            });
        }
        let by_weight = match weight {
            Some(grams) if !shipping.bands.is_empty() => Some(round(
                shipping.cost(grams).ok_or(TermsError::TooHeavy(grams))?,
            )),
            _ => None,
        };
        let usual = match outlet.shipping {
            ShippingPaidBy::Buyer => by_weight.unwrap_or_default(),
            _ => Decimal::ZERO,
        };
        let shipping_paid = round(shipping_paid.unwrap_or(usual));
        let postage_from = match by_weight {
            Some(_) => PostageFrom::Weight,
            None if shipping_paid.is_zero() => PostageFrom::Unknown,
            None => PostageFrom::AsPaid,
        };
        Ok(Self {
            outlet,
            decimals,
            shipping_paid,
            postage: by_weight.unwrap_or(shipping_paid),
            postage_from,
            weight,
            packing: round(shipping.packing),
        })
    }

    /// The net of `price`, first rounded half-even to the minor unit, with expected returns.
    pub fn net(&self, price: Decimal) -> Net {
        let price = self.money(price);
        let mut net = self.without_returns(price);
        let returns = &self.outlet.returns;
        let expected = self.return_cost(price) * returns.percent / Decimal::ONE_HUNDRED;
        net.push(
            Item::Returns,
            -self.round(expected),
            None,
            Some(returns.percent),
        );
        net
    }

    /// The net of `price` if the unit is not returned.
    pub fn without_returns(&self, price: Decimal) -> Net {
        let price = self.money(price);
        let mut net = Net {
            lines: Vec::new(),
            net: Decimal::ZERO,
        };
        net.push(Item::Price, price, None, None);
        net.push(Item::ShippingPaid, self.shipping_paid, None, None);
        let outlet = self.outlet;
        for (charge, item, fixed) in [
            (&outlet.fee, Item::Fee, Item::FixedFee),
            (&outlet.payment, Item::Payment, Item::FixedPayment),
            (&outlet.promotion, Item::Promotion, Item::FixedPromotion),
        ] {
            let base = self.base(charge, price);
            let taken = percentage(charge, base);
            let plain = taken == base * charge.percent / Decimal::ONE_HUNDRED;
            let percent = plain.then_some(charge.percent);
            net.push(item, -self.round(taken), Some(base), percent);
            net.push(fixed, -self.round(charge.fixed), None, None);
        }
        net.push(Item::Postage, -self.postage, None, None);
        net.push(Item::Packing, -self.packing, None, None);
        net
    }

    /// The item price in a price on a basis: on the delivered one, the buyer's total less shipping,
    /// at least 0.
    pub fn price_in(&self, amount: Decimal, basis: PriceBasis) -> Decimal {
        match basis {
            PriceBasis::Item => amount,
            PriceBasis::Delivered => (amount - self.shipping_paid).max(Decimal::ZERO),
        }
    }

    /// The net of a price on a basis, with expected returns. If the buyer's total is less than the
    /// shipping, only that total is paid of it.
    pub fn net_of(&self, amount: Decimal, basis: PriceBasis) -> Net {
        let price = self.price_in(amount, basis);
        let mut net = self.net(price);
        if basis == PriceBasis::Delivered {
            let short = price + self.shipping_paid - amount;
            let shipping = net
                .lines
                .iter_mut()
                .find(|line| line.item == Item::ShippingPaid);
            if let Some(line) = shipping {
                line.amount -= short;
                net.net -= short;
            }
        }
        net
    }

    /// Cost of a return of a unit sold for `price`, not rounded.
    pub fn return_cost(&self, price: Decimal) -> Decimal {
        let returns = &self.outlet.returns;
        returns.cost + price * returns.loses / Decimal::ONE_HUNDRED
    }

    /// Probability of a return, 0..=1.
    pub fn return_chance(&self) -> f64 {
        let percent = self.outlet.returns.percent.to_f64();
        percent.unwrap_or_default() / 100.0
    }

    /// The price needed for a net of `wanted`; `None` if no price up to [`MOST_MONEY`] has it.
    ///
    /// Between the edges of tiers that jump, no line falls as the price rises. The net over a range
    /// of prices therefore lies between the income at its low end less the costs at its high end,
    /// and the reverse. Ranges that cannot contain the answer are skipped, others halved: exact,
    /// for any rounding.
    pub fn price_for(&self, wanted: Decimal) -> Option<Needed> {
        let ranges = self.ranges();
        let least = ranges
            .iter()
            .find_map(|&(low, high)| self.first_reaching(wanted, low, high))?;
        let last_short = ranges
            .iter()
            .rev()
            .take_while(|(_, high)| *high >= least)
            .find_map(|&(low, high)| self.last_short(wanted, low.max(least), high));
        Some(Needed {
            least: self.units(least),
            always_from: self.units(last_short.map_or(least, |short| short + 1)),
        })
    }

    /// The lowest price in a range whose net reaches `wanted`, in minor units.
    fn first_reaching(&self, wanted: Decimal, low: i64, high: i64) -> Option<i64> {
        let (at_low, at_high) = (self.net(self.units(low)), self.net(self.units(high)));
        if at_high.revenue() - at_low.costs() < wanted {
            return None;
        }
        if low == high {
            return Some(low);
        }
        let middle = low + (high - low) / 2;
        self.first_reaching(wanted, low, middle)
            .or_else(|| self.first_reaching(wanted, middle + 1, high))
    }

    /// The highest price in a range whose net is below `wanted`, in minor units.
    fn last_short(&self, wanted: Decimal, low: i64, high: i64) -> Option<i64> {
        let (at_low, at_high) = (self.net(self.units(low)), self.net(self.units(high)));
        if at_low.revenue() - at_high.costs() >= wanted {
            return None;
        }
        if low == high {
            return Some(low);
        }
        let middle = low + (high - low) / 2;
        self.last_short(wanted, middle + 1, high)
            .or_else(|| self.last_short(wanted, low, middle))
    }

    /// Ranges of prices in minor units, first and last, in which no charge falls.
    fn ranges(&self) -> Vec<(i64, i64)> {
        let most = MOST_MONEY * 10_i64.pow(self.decimals);
        let outlet = self.outlet;
        let mut starts = vec![0];
        for charge in [&outlet.fee, &outlet.payment, &outlet.promotion] {
            if charge.tiers_apply == TiersApply::Slices {
                continue;
            }
            for edge in charge.tiers.iter().filter_map(|tier| tier.up_to) {
                starts.push(first_where(most, |price| {
                    self.base(charge, self.units(price)) > edge
                }));
            }
        }
        starts.sort_unstable();
        starts.dedup();
        let ends = starts[1..].iter().map(|next| next - 1).chain([most]);
        starts
            .iter()
            .copied()
            .zip(ends)
            .filter(|(low, high)| low <= high)
            .collect()
    }

    /// Base of the per cents of a charge.
    fn base(&self, charge: &Charge, price: Decimal) -> Decimal {
        let base = match charge.of {
            Base::Price => price,
            Base::Delivered => price + self.shipping_paid,
        };
        if charge.with_tax {
            base + self.round(base * self.outlet.sales_tax / Decimal::ONE_HUNDRED)
        } else {
            base
        }
    }

    fn round(&self, amount: Decimal) -> Decimal {
        self.outlet.rounding.round(amount, self.decimals)
    }

    /// An amount rounded half-even to the minor unit.
    fn money(&self, amount: Decimal) -> Decimal {
        let mut rounded = amount.round_dp(self.decimals);
        rounded.rescale(self.decimals);
        rounded
    }

    fn units(&self, minor: i64) -> Decimal {
        Decimal::new(minor, self.decimals)
    }
}

impl Net {
    fn push(&mut self, item: Item, amount: Decimal, of: Option<Decimal>, percent: Option<Decimal>) {
        if amount.is_zero() {
            return;
        }
        self.net += amount;
        self.lines.push(Line {
            item,
            amount,
            of,
            percent,
        });
    }
}

/// The proportional part of a charge on `base`, within its limits, not rounded. Zero for a zero
/// base.
fn percentage(charge: &Charge, base: Decimal) -> Decimal {
    if base <= Decimal::ZERO {
        return Decimal::ZERO;
    }
    let parts = if charge.tiers.is_empty() {
        base * charge.percent
    } else if charge.tiers_apply == TiersApply::Whole {
        let covers = |edge: Option<Decimal>| edge.is_none_or(|edge| base <= edge);
        let tier = charge.tiers.iter().find(|tier| covers(tier.up_to));
        base * tier.map_or(Decimal::ZERO, |tier| tier.percent)
    } else {
        let (mut sum, mut from) = (Decimal::ZERO, Decimal::ZERO);
        for tier in &charge.tiers {
            let to = tier.up_to.map_or(base, |edge| edge.min(base));
            sum += (to - from).max(Decimal::ZERO) * tier.percent;
            from = to.max(from);
        }
        sum
    };
    let taken = (parts / Decimal::ONE_HUNDRED).max(charge.least);
    charge.most.map_or(taken, |most| taken.min(most))
}

/// The smallest number from 0 to `most` for which `holds`, if that is true for all above it; `most`
/// + 1 if it is true for none.
fn first_where(most: i64, holds: impl Fn(i64) -> bool) -> i64 {
    let (mut low, mut high) = (0, most + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::selling::Rounding;
    use proptest::prelude::*;

    fn eur() -> Currency {
        Currency { code: "EUR".into() }
    }

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn outlet(text: &str) -> Outlet {
        toml::from_str(text).unwrap()
    }

    fn terms<'a>(outlet: &'a Outlet, shipping: &str, paid: Option<&str>) -> Terms<'a> {
        let shipping: Shipping = toml::from_str(shipping).unwrap();
        Terms::new(outlet, &shipping, &eur(), Some(dec("600")), paid.map(dec)).unwrap()
    }

    fn amounts(net: &Net) -> Vec<(Item, String)> {
        let shown = |line: &Line| (line.item, line.amount.to_string());
        net.lines.iter().map(shown).collect()
    }

    const BANDS: &str =
        "packing = 0.9\nbands = [{ up_to = 500, cost = 3.9 }, { up_to = 2000, cost = 5.9 }]";

    #[test]
    fn line_by_line() {
        let outlet = outlet(
            "fee = { percent = 9, of = \"delivered\", fixed = 0.35 }\n\
             payment = { percent = 2.5, of = \"delivered\", with_tax = true, fixed = 0.25 }\n\
             promotion = { percent = 2 }\nsales_tax = 10\n\
             returns = { percent = 3, cost = 8, loses = 10 }",
        );
        let net = terms(&outlet, BANDS, Some("5")).net(dec("140"));
        // 2.5 % of 145 with its tax, 159.50, is 3.9875; 3 % of 8 and 14 is 0.66.
        let expected = [
            (Item::Price, "140.00"),
            (Item::ShippingPaid, "5.00"),
            (Item::Fee, "-13.05"),
            (Item::FixedFee, "-0.35"),
            (Item::Payment, "-3.99"),
            (Item::FixedPayment, "-0.25"),
            (Item::Promotion, "-2.80"),
            (Item::Postage, "-5.90"),
            (Item::Packing, "-0.90"),
            (Item::Returns, "-0.66"),
        ];
        assert_eq!(
            amounts(&net),
            expected.map(|(item, text)| (item, text.to_string()))
        );
        assert_eq!(net.net, dec("117.10"));
        assert_eq!((net.revenue(), net.costs()), (dec("145.00"), dec("27.90")));
    }

    #[test]
    fn who_pays_for_shipping() {
        for (by, paid, postage) in [("buyer", "5.90", "5.90"), ("seller", "0", "5.90")] {
            let outlet = outlet(&format!("shipping = {by:?}"));
            let terms = terms(&outlet, BANDS, None);
            assert_eq!(
                (terms.shipping_paid, terms.postage),
                (dec(paid), dec(postage))
            );
        }
        let collected = outlet("shipping = \"collected\"");
        let none = Shipping::default();
        assert_eq!(
            Terms::new(&collected, &none, &eur(), None, Some(dec("3"))).unwrap_err(),
            TermsError::NotSent(dec("3"))
        );
        assert!(terms(&collected, BANDS, None).net(dec("20")).net == dec("20"));
        let bands: Shipping = toml::from_str(BANDS).unwrap();
        let plain = Outlet::default();
        assert_eq!(
            Terms::new(&plain, &bands, &eur(), Some(dec("2001")), None).unwrap_err(),
            TermsError::TooHeavy(dec("2001"))
        );
        let unknown = Terms::new(&plain, &none, &eur(), None, None).unwrap();
        assert_eq!(unknown.postage_from, PostageFrom::Unknown);
        let as_paid = Terms::new(&plain, &none, &eur(), None, Some(dec("4"))).unwrap();
        assert_eq!(
            (as_paid.postage, as_paid.postage_from),
            (dec("4"), PostageFrom::AsPaid)
        );
    }

    #[test]
    fn tiers_and_limits() {
        let tiers = "tiers = [{ up_to = 100, percent = 10 }, { percent = 5 }]";
        let charge = |text: &str| -> Charge { toml::from_str(text).unwrap() };
        let slices = charge(tiers);
        let whole = charge(&format!("{tiers}\ntiers_apply = \"whole\""));
        let limited = charge("percent = 10\nleast = 1\nmost = 4");
        for (charge, base, taken) in [
            (&slices, "100", "10"),
            (&slices, "140", "12"),
            (&whole, "100", "10"),
            (&whole, "100.01", "5.0005"),
            (&limited, "0", "0"),
            (&limited, "3", "1"),
            (&limited, "25", "2.5"),
            (&limited, "99", "4"),
        ] {
            assert_eq!(percentage(charge, dec(base)), dec(taken), "{base}");
        }
    }

    #[test]
    fn halves_round_as_the_outlet_rounds() {
        for (rounding, half, above) in [
            (Rounding::HalfEven, "0.12", "0.13"),
            (Rounding::HalfUp, "0.13", "0.13"),
            (Rounding::Up, "0.13", "0.13"),
        ] {
            assert_eq!(rounding.round(dec("0.125"), 2), dec(half));
            assert_eq!(rounding.round(dec("0.1251"), 2), dec(above));
        }
        assert_eq!(Rounding::Up.round(dec("0.1201"), 2), dec("0.13"));
    }

    /// The fee rises from 10 to 30 % beyond 100, so that the net of 90 at 100 is not reached again
    /// below 128.57: both prices are given.
    #[test]
    fn a_tier_makes_the_net_fall_back() {
        let outlet = outlet(
            "fee.tiers = [{ up_to = 100, percent = 10 }, { percent = 30 }]\n\
             fee.tiers_apply = \"whole\"\nshipping = \"collected\"",
        );
        let terms = terms(&outlet, "", None);
        let needed = terms.price_for(dec("90")).unwrap();
        assert_eq!(needed.least, dec("100"));
        assert_eq!(terms.net(dec("128.56")).net, dec("89.99"));
        assert_eq!(needed.always_from, dec("128.57"));
        assert_eq!(terms.price_for(dec("90.01")).unwrap().least, dec("128.58"));
        assert!(terms.price_for(dec("99999999999")).is_none());
        assert_eq!(terms.price_for(dec("-1")).unwrap().least, dec("0"));
    }

    fn charge() -> impl Strategy<Value = Charge> {
        let tiers = prop::collection::vec((1..40_000i64, 0..250i64), 0..4);
        (
            0..250i64,
            tiers,
            any::<(bool, bool, bool)>(),
            0..300i64,
            0..6_000i64,
            0..100i64,
        )
            .prop_map(
                |(percent, tiers, (whole, delivered, with_tax), least, room, fixed)| {
                    let mut edges: Vec<i64> = tiers.iter().map(|(edge, _)| *edge).collect();
                    edges.sort_unstable();
                    edges.dedup();
                    let last = edges.len().saturating_sub(1);
                    let tiers: Vec<_> = edges
                        .iter()
                        .zip(&tiers)
                        .enumerate()
                        .map(
                            |(at, (edge, (_, percent)))| crate::settings::selling::Tier {
                                up_to: (at < last).then(|| Decimal::new(*edge, 2)),
                                percent: Decimal::new(*percent, 1),
                            },
                        )
                        .collect();
                    Charge {
                        percent: if tiers.is_empty() {
                            Decimal::new(percent, 1)
                        } else {
                            Decimal::ZERO
                        },
                        tiers,
                        tiers_apply: if whole {
                            TiersApply::Whole
                        } else {
                            TiersApply::Slices
                        },
                        of: if delivered {
                            Base::Delivered
                        } else {
                            Base::Price
                        },
                        with_tax,
                        least: Decimal::new(least, 2),
                        most: (room % 3 > 0).then(|| Decimal::new(least + room, 2)),
                        fixed: Decimal::new(fixed, 2),
                    }
                },
            )
    }

    fn any_outlet() -> impl Strategy<Value = Outlet> {
        (charge(), charge(), charge(), 0..25i64, 0..3usize, 0..10i64).prop_map(
            |(fee, payment, promotion, tax, rounding, returns)| Outlet {
                fee,
                payment,
                promotion,
                sales_tax: Decimal::from(tax),
                shipping: ShippingPaidBy::Buyer,
                returns: crate::settings::selling::Returns {
                    percent: Decimal::from(returns),
                    cost: Decimal::new(755, 2),
                    loses: Decimal::from(10),
                },
                rounding: [Rounding::HalfEven, Rounding::HalfUp, Rounding::Up][rounding],
                ..Outlet::default()
            },
        )
    }

    proptest! {
        #[test]
        fn the_lines_sum_to_the_net(outlet in any_outlet(), price in 0..60_000i64, paid in 0..900i64) {
            let terms = Terms::new(&outlet, &Shipping::default(), &eur(), None, Some(Decimal::new(paid, 2))).unwrap();
            let net = terms.net(Decimal::new(price, 2));
            let sum: Decimal = net.lines.iter().map(|line| line.amount).sum();
            prop_assert_eq!(sum, net.net);
            prop_assert!(net.lines.iter().all(|line| line.amount.scale() == 2 && !line.amount.is_zero()));
            prop_assert_eq!(net.revenue(), Decimal::new(price + paid, 2));
        }

    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        /// The lowest price has a sufficient net and no lower price has; every price from
        /// `always_from` on has, and the one before it has not: by trying every price.
        #[test]
        fn the_price_needed_is_exact(outlet in any_outlet(), wanted in -300..9_000i64, paid in 0..900i64) {
            let terms = Terms::new(&outlet, &Shipping::default(), &eur(), None, Some(Decimal::new(paid, 2))).unwrap();
            let wanted = Decimal::new(wanted, 2);
            let needed = terms.price_for(wanted).unwrap();
            let nets: Vec<Decimal> = (0..30_000).map(|price| terms.net(Decimal::new(price, 2)).net).collect();
            let least = nets.iter().position(|net| *net >= wanted);
            if let Some(least) = least {
                prop_assert_eq!(needed.least, Decimal::new(least as i64, 2));
            } else {
                prop_assert!(needed.least >= Decimal::from(300));
            }
            if needed.always_from < Decimal::from(300)
                && let Some(least) = least
            {
                let last_short = nets[least..].iter().rposition(|net| *net < wanted);
                let from = least + last_short.map_or(0, |at| at + 1);
                prop_assert_eq!(needed.always_from, Decimal::new(from as i64, 2));
            }
            prop_assert!(terms.net(needed.least).net >= wanted);
            let before = needed.always_from - Decimal::new(1, 2);
            prop_assert!(needed.always_from == needed.least || terms.net(before).net < wanted);
        }
    }
}
