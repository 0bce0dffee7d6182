//! Nets of prices at one outlet, worked out once for all units of a run.

use std::sync::OnceLock;

/// Prices worked out together.
const TOGETHER: usize = 1024;

/// Most groups of prices that are kept; dearer ones are worked out each time.
const MOST: usize = 2048;

/// Net of each price and the additional loss if the unit is returned, in minor units. Threads share it.
pub struct Nets {
    groups: Vec<OnceLock<Vec<(i64, i64)>>>,
}

impl Default for Nets {
    fn default() -> Self {
        Self {
            groups: (0..MOST).map(|_| OnceLock::new()).collect(),
        }
    }
}

impl Nets {
    /// The net of a price and the additional loss; `net` works them out, and returns the same at each call.
    pub fn at(&self, units: i64, net: &dyn Fn(i64) -> (i64, i64)) -> (i64, i64) {
        let Ok(at) = usize::try_from(units) else {
            return net(units);
        };
        let Some(group) = self.groups.get(at / TOGETHER) else {
            return net(units);
        };
        let first = (at - at % TOGETHER) as i64;
        let all = group.get_or_init(|| (first..first + TOGETHER as i64).map(net).collect());
        all[at % TOGETHER]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kept_net_is_the_one_worked_out() {
        let net = |units: i64| (units * 9 / 10 - 35, units / 10);
        let nets = Nets::default();
        let beyond = (TOGETHER * MOST) as i64;
        for units in [0, 1, 1023, 1024, 99_999, beyond - 1, beyond, -5] {
            assert_eq!(nets.at(units, &net), net(units));
            assert_eq!(
                nets.at(units, &|_| (0, 0)).0 == net(units).0,
                (0..beyond).contains(&units),
                "{units}"
            );
        }
    }
}
