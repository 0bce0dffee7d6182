//! The fit: the effects of each grade step, missing piece, extra, defect, month and way of selling,
//! from comps and rules of thumb.
//!
//! # Method
//!
//! The regression for sale `i` with price `Pᵢ` is
//!
//! ```text
//! log Pᵢ = level + Σ grade steps + Σ pieces missing + Σ extras + Σ defects
//!          + trend · monthsᵢ + how sold + outlet + variant + σ εᵢ
//! ```
//!
//! * **Pieces.** Missing pieces and extras are counted in one canonical form of completeness,
//!   missing pieces and extras ([`crate::select::pieces`]): any two descriptions of the same pieces
//!   give the same row. A unit whose pieces are unknown has the weighted average row of its
//!   possible sets.
//! * **Errors.** The distribution of single sales is unknown: Student-t with ν/2 degrees of freedom
//!   (ν = 4 unless set), normal, or normal with some mistyped prices. Each is weighted by its
//!   likelihood, together with the residual scale σ, [`posterior`].
//! * **Age.** A sale `t` days older than the newest has `2^(−t/h)` of its weight; `h` is the
//!   half-life. The weights `w` are scaled to sum to Kish's effective number of sales, `(Σ)²/Σ²`,
//!   so that unequal weights cost information, and age itself does not: sales of equal age have
//!   full weight, however old, and the variance of the trend covers changes since. Likelihood
//!   contributions are raised to the power `w`. An undated sale has the (weighted) average age and
//!   the average weight of the dated ones; if none is dated, there is no trend and all weights are
//!   1.
//! * **Rules of thumb** are priors with heavy tails, Student-t with 2 degrees of freedom, so that
//!   comps overrule a rule that is far off; a stated range then contains the true value about two
//!   times in three, [`prior`]. With both ends on the log scale the location is `(lo + hi)/2` and
//!   the scale `(hi − lo)/(2 · 1.2816)`. Per cents `p` become `log(1 ± p/100)`; money `m` becomes
//!   `log(1 ± m/P)` with `P` the weighted median price of the comps. See [`design`].
//! * **Variants** are exchangeable: each, including the unit's, has one effect with half the
//!   variance that the rule gives to the difference of two. A variant without comps has the
//!   corresponding variance.
//! * **Outlets** with a price factor in the settings have a term each: a sale there informs the price elsewhere
//!   through the factor alone. Other venues, and sales without one, are the reference.
//! * **Related models** of the book update the rules of thumb and the usual spread before the comps
//!   of this one do: a hierarchical normal distribution for each adjustment and for log σ,
//!   [`pool`].
//! * **Signs.** A worse grade, a missing piece or a defect never raises the price and an extra
//!   never lowers it: the belief is truncated at zero.
//! * **Posterior.** Expectation propagation, [`ep`], at every point of a grid over σ and the error
//!   distributions, [`posterior`]. The prior on σ is lognormal, with the information of `n₀` comps
//!   at the usual spread.
//! * **Steps.** Days on which all prices changed at once are detected before the fit and get a
//!   column each; the fit averages over those that are uncertain, [`step`].
//! * **Unknown facts** of a unit are averaged over: their values occur as often as among the comps
//!   ([`design::Possible`]).
//! * **Huber's and Tukey's estimators**, if set, determine the weight of each comp, [`robust`];
//!   everything else is as for normal errors.
//!
//! With flat priors, normal errors and no decay the posterior mean *is* ordinary least squares.

pub mod design;
pub mod ep;
mod facts;
pub mod matrix;
mod mistyped;
pub mod pool;
pub mod posterior;
pub mod prior;
pub mod robust;
pub mod root;
mod rows;
pub mod solve;
pub mod step;
pub mod term;
pub mod thumb;
mod walk;
