//! Axes: their ranges, the positions and labels of ticks, and the placement of labels.

use chrono::{Datelike, NaiveDate};

/// A linear scale from values to canvas units.
#[derive(Debug, Clone, Copy)]
pub struct Axis {
    /// Smallest and largest value shown; the first is below the second.
    pub range: (f64, f64),
    /// Canvas positions of the two.
    pub ends: (f64, f64),
}

impl Axis {
    /// Canvas position of a value.
    pub fn place(&self, value: f64) -> f64 {
        let share = (value - self.range.0) / (self.range.1 - self.range.0);
        self.ends.0 + share * (self.ends.1 - self.ends.0)
    }

    /// Side of the range on which a value lies: -1 below, 1 above, 0 inside.
    pub fn beyond(&self, value: f64) -> i8 {
        if value < self.range.0 {
            -1
        } else if value > self.range.1 {
            1
        } else {
            0
        }
    }

    /// Canvas length.
    pub fn length(&self) -> f64 {
        (self.ends.1 - self.ends.0).abs()
    }
}

/// Smallest and largest of finite values; `None` without any.
pub fn extent(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values.into_iter().fold(None, |seen, value| match seen {
        None => Some((value, value)),
        Some((low, high)) => Some((low.min(value), high.max(value))),
    })
}

/// `core` widened to contain the values whose distance from it is at most `reach` times its width.
pub fn widen(core: (f64, f64), values: impl IntoIterator<Item = f64>, reach: f64) -> (f64, f64) {
    let most = (core.1 - core.0) * reach;
    values
        .into_iter()
        .filter(|value| (core.0 - most..=core.1 + most).contains(value))
        .fold(core, |(low, high), value| (low.min(value), high.max(value)))
}

/// A range with a margin at both ends and a positive width.
pub fn with_air(range: (f64, f64), least_width: f64) -> (f64, f64) {
    let lacking = (least_width - (range.1 - range.0)).max(0.0) / 2.0;
    let air = (range.1 - range.0 + 2.0 * lacking) * 0.05 + lacking;
    (range.0 - air, range.1 + air)
}

/// [`with_air`] for amounts: amounts that are never negative get no negative axis.
pub fn amounts_with_air(range: (f64, f64), least_width: f64) -> (f64, f64) {
    let (low, high) = with_air(range, least_width);
    let least = if range.0 >= 0.0 { 0.0 } else { low };
    (low.max(least), high)
}

/// Days widened to a range of more than one.
pub fn days_with_room((first, last): (f64, f64)) -> (f64, f64) {
    const LEAST_DAYS: f64 = 20.0;
    let lacking = (LEAST_DAYS - (last - first)).max(0.0) / 2.0;
    (first - lacking, last + lacking)
}

/// Ticks of an amount axis and the decimals of their labels: multiples of 1, 2 or 5 times a power
/// of ten, at most `most` and one more (below 3 there may be none).
pub fn amount_ticks(range: (f64, f64), most: usize) -> (Vec<f64>, usize) {
    let rough = (range.1 - range.0) / most.max(3) as f64;
    let mut power = rough.log10().floor() as i32;
    let step_of = |lead: f64, power: i32| lead * 10_f64.powi(power);
    let lead = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|lead| step_of(*lead, power) >= rough)
        .unwrap_or_else(|| {
            power += 1;
            1.0
        });
    let step = step_of(lead, power);
    let (first, last) = ((range.0 / step).ceil(), (range.1 / step).floor());
    let ticks = (0..=most)
        .map(|at| first + at as f64)
        .take_while(|multiple| *multiple <= last);
    (
        ticks.map(|multiple| multiple * step).collect(),
        power.min(0).unsigned_abs() as usize,
    )
}

/// Alternative ticks for a logarithmic axis of positive amounts, from many to few, each with the
/// decimals of its label: evenly spaced ones if the amounts are close to each other, then 1, 1.5,
/// 2, 3, 5 and 7 times a power of ten, and subsets of these.
pub fn log_ticks(range: (f64, f64)) -> Vec<Vec<(f64, usize)>> {
    const NEAR: f64 = 8.0;
    let mut choices = Vec::new();
    if range.1 / range.0 < NEAR {
        choices.extend((3..=9).rev().map(|most| {
            let (ticks, decimals) = amount_ticks(range, most);
            ticks.into_iter().map(|tick| (tick, decimals)).collect()
        }));
    }
    let (first, last) = (
        range.0.log10().floor() as i32,
        range.1.log10().ceil() as i32,
    );
    let of = |leads: &[f64], step: i32| -> Vec<(f64, usize)> {
        let powers = (first..=last).filter(|power| power.rem_euclid(step) == 0);
        powers
            .flat_map(|power| leads.iter().map(move |lead| (*lead, power)))
            .map(|(lead, power)| {
                let finest = if lead.fract() > 0.0 { power - 1 } else { power };
                (
                    lead * 10_f64.powi(power),
                    finest.min(0).unsigned_abs() as usize,
                )
            })
            .filter(|(tick, _)| (range.0..=range.1).contains(tick))
            .collect()
    };
    const LEADS: [&[f64]; 4] = [
        &[1.0, 1.5, 2.0, 3.0, 5.0, 7.0],
        &[1.0, 2.0, 3.0, 5.0, 7.0],
        &[1.0, 2.0, 5.0],
        &[1.0, 3.0],
    ];
    choices.extend(LEADS.iter().map(|leads| of(leads, 1)));
    choices.extend([1, 2, 3, 6].map(|step| of(&[1.0], step)));
    choices
}

/// A date as a position on an axis, in days.
pub fn day(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

/// Ticks of a date axis (range in days, see [`day`]), at most `most`: days such as `12 Mar` for up
/// to a quarter of a year, else months such as `2026-03`, else years.
pub fn date_ticks(range: (f64, f64), most: usize) -> Vec<(f64, String)> {
    const LONGEST_IN_DAYS: f64 = 92.0;
    let span = range.1 - range.0;
    if span <= LONGEST_IN_DAYS {
        let step = [1.0, 2.0, 7.0, 14.0]
            .into_iter()
            .find(|step| span / step < most as f64)
            .unwrap_or(28.0);
        let first = (range.0 / step).ceil();
        let days = (0..=most)
            .map(|at| (first + at as f64) * step)
            .take_while(|day| *day <= range.1);
        return days
            .filter_map(|day| Some((day, date_of(day)?.format("%-d %b").to_string())))
            .collect();
    }
    const DAYS_PER_MONTH: f64 = 30.436_875;
    let months = span / DAYS_PER_MONTH;
    let few = |step: &i32| months / f64::from(*step) < most as f64;
    let step = [1, 2, 3, 6, 12, 24, 60]
        .into_iter()
        .find(few)
        .unwrap_or((months / most as f64 / 12.0).ceil() as i32 * 12);
    let Some(start) = date_of(range.0.floor()) else {
        return Vec::new();
    };
    let first = (start.year() * 12 + start.month0() as i32).div_euclid(step);
    (0..=most as i32 + 1)
        .filter_map(|at| {
            let month = (first + at) * step;
            let date =
                NaiveDate::from_ymd_opt(month.div_euclid(12), month.rem_euclid(12) as u32 + 1, 1)?;
            let text = date
                .format(if step % 12 == 0 { "%Y" } else { "%Y-%m" })
                .to_string();
            (range.0..=range.1)
                .contains(&day(date))
                .then_some((day(date), text))
        })
        .collect()
}

fn date_of(day: f64) -> Option<NaiveDate> {
    NaiveDate::from_num_days_from_ce_opt(day as i32)
}

/// Centres for labels of given lengths along a line, as near as possible to the wanted centres in
/// the least-squares sense, in the given order, `gap` apart and within `bounds` if they fit.
///
/// After subtraction of the space of the labels before it, each centre is one value of an isotonic
/// regression (pool adjacent violators).
pub fn spread(wanted: &[f64], lengths: &[f64], gap: f64, bounds: (f64, f64)) -> Vec<f64> {
    let mut offsets = Vec::with_capacity(lengths.len());
    let mut offset = 0.0;
    for (at, length) in lengths.iter().enumerate() {
        if at > 0 {
            offset += (lengths[at - 1] + length) / 2.0 + gap;
        }
        offsets.push(offset);
    }
    let (Some(first), Some(last)) = (lengths.first(), lengths.last()) else {
        return Vec::new();
    };
    let lowest = bounds.0 + first / 2.0;
    let highest = (bounds.1 - last / 2.0 - offset).max(lowest);
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for (centre, offset) in wanted.iter().zip(&offsets) {
        let mut pool = (centre - offset, 1);
        while let Some(before) = pools.pop_if(|before| before.0 > pool.0) {
            let count = before.1 + pool.1;
            pool = (
                (before.0 * before.1 as f64 + pool.0 * pool.1 as f64) / count as f64,
                count,
            );
        }
        pools.push(pool);
    }
    let levels = pools
        .iter()
        .flat_map(|(mean, count)| std::iter::repeat_n(mean.clamp(lowest, highest), *count));
    levels
        .zip(&offsets)
        .map(|(level, offset)| level + offset)
        .collect()
}

/// Offsets across a line for discs of given (position, radius), so that they do not hide each
/// other, limited to `half`. Each disc, in order of position, takes the free offset nearest to the
/// line, or the emptiest one if none is free.
pub fn swarm(discs: &[(f64, f64)], half: f64) -> Vec<f64> {
    const STEP: f64 = 2.0;
    const APART: f64 = 1.5;
    let widest = discs.iter().map(|disc| disc.1).fold(0.0, f64::max);
    let mut order: Vec<usize> = (0..discs.len()).collect();
    order.sort_by(|a, b| discs[*a].0.total_cmp(&discs[*b].0));
    let mut offsets = vec![0.0; discs.len()];
    for (rank, &disc) in order.iter().enumerate() {
        let (at, radius) = discs[disc];
        let near: Vec<(f64, f64, f64)> = order[..rank]
            .iter()
            .rev()
            .map(|&other| (at - discs[other].0, offsets[other], discs[other].1))
            .take_while(|(away, _, _)| *away < radius + widest + APART)
            .collect();
        let room = |offset: f64| {
            let gaps = near
                .iter()
                .map(|(away, other, size)| away.hypot(offset - other) - size - radius);
            gaps.fold(f64::INFINITY, f64::min)
        };
        let steps = ((half - radius) / STEP).max(0.0) as i32;
        let candidates =
            (0..=steps).flat_map(|step| [f64::from(step) * STEP, f64::from(-step) * STEP]);
        let mut best = (0.0, f64::NEG_INFINITY);
        for offset in candidates {
            let free = room(offset);
            if free > best.1 {
                best = (offset, free);
            }
            if free >= APART {
                break;
            }
        }
        offsets[disc] = best.0;
    }
    offsets
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn dates_are_labelled_by_day_month_or_year() {
        let ticks = |from: &str, to: &str| {
            let range = (day(from.parse().unwrap()), day(to.parse().unwrap()));
            date_ticks(range, 8)
                .into_iter()
                .map(|(_, text)| text)
                .collect::<Vec<_>>()
        };
        assert_eq!(
            ticks("2026-03-10", "2026-03-13"),
            ["10 Mar", "11 Mar", "12 Mar", "13 Mar"]
        );
        assert_eq!(
            ticks("2025-11-20", "2026-11-20")[..2],
            ["2026-01", "2026-03"]
        );
        assert_eq!(ticks("2020-02-01", "2026-02-01")[0], "2021");
        assert_eq!(ticks("1926-02-01", "2026-02-01").last().unwrap(), "2015");
    }

    #[test]
    fn labels_crowd_evenly_around_one_place() {
        let centres = spread(
            &[100.0, 100.0, 100.0],
            &[40.0, 20.0, 40.0],
            5.0,
            (0.0, 200.0),
        );
        assert_eq!(centres, [65.0, 100.0, 135.0]);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn few_round_ticks_within_any_range(low in -1e9_f64..1e9, width in 1e-3_f64..1e9, most in 3_usize..10) {
            let (ticks, _) = amount_ticks((low, low + width), most);
            prop_assert!(!ticks.is_empty() && ticks.len() <= most + 1);
            prop_assert!(ticks.iter().all(|tick| (low - 1e-6..=low + width + 1e-6).contains(tick)));
        }

        #[test]
        fn ticks_by_logarithm_lie_within_any_range_and_rise(
            low in 1e-3_f64..1e9, factor in 1.2_f64..1e6,
        ) {
            let range = (low, low * factor);
            let choices = log_ticks(range);
            prop_assert!(choices.iter().any(|ticks| ticks.len() > 1));
            for ticks in choices {
                prop_assert!(ticks.windows(2).all(|pair| pair[0].0 < pair[1].0));
                for (tick, decimals) in ticks {
                    prop_assert!((range.0 * (1.0 - 1e-9)..=range.1 * (1.0 + 1e-9)).contains(&tick));
                    // The label represents the tick exactly.
                    let label: f64 = format!("{tick:.decimals$}").parse().unwrap();
                    prop_assert!((label / tick - 1.0).abs() < 1e-9, "{label} {tick}");
                }
            }
        }

        #[test]
        fn labels_stay_in_bounds_and_apart(mut wanted in prop::collection::vec(-50.0_f64..450.0, 1..6)) {
            wanted.sort_by(f64::total_cmp);
            let lengths = vec![60.0; wanted.len()];
            let centres = spread(&wanted, &lengths, 4.0, (0.0, 400.0));
            prop_assert_eq!(centres.len(), wanted.len());
            prop_assert!(centres[0] >= 30.0 - 1e-9 && centres[centres.len() - 1] <= 370.0 + 1e-9);
            prop_assert!(centres.windows(2).all(|pair| pair[1] - pair[0] >= 64.0 - 1e-9));
        }

        #[test]
        fn a_few_discs_never_touch(places in prop::collection::vec(0.0_f64..1000.0, 0..30)) {
            let discs: Vec<_> = places.iter().map(|place| (*place, 6.0)).collect();
            let offsets = swarm(&discs, 240.0);
            for a in 0..discs.len() {
                prop_assert!(offsets[a].abs() <= 240.0);
                for b in 0..a {
                    let apart = (places[a] - places[b]).hypot(offsets[a] - offsets[b]);
                    prop_assert!(apart >= 12.0, "{a} and {b} are {apart} apart");
                }
            }
        }
    }
}
