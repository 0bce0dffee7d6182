//! The fit: what each step of wear, missing piece, extra, defect, month and way of selling is
//! worth, from the comps and from rules of thumb.
//!
//! # Method
//!
//! For the sale `i` with price `Pᵢ` the model is
//!
//! ```text
//! log Pᵢ = level + Σ grade steps + Σ pieces missing + Σ extras + Σ defects
//!          + trend · monthsᵢ + how sold + variant + σ εᵢ
//! ```
//!
//! * **Pieces.** What is missing and what is extra is counted from one canonical form of completeness,
//!   missing pieces and extras ([`crate::select::pieces`]): any two descriptions of the same pieces
//!   give the same row. A unit that does not say what it has gets the weighted average row of the
//!   sets it may be.
//! * **Errors.** How single sales vary is not known beforehand: with the tails of a Student-t
//!   distribution of ν/2 degrees of freedom (ν = 4 unless set), like a normal distribution, or like one
//!   among prices of which some are mistyped. Each is weighed by its likelihood, together with the
//!   residual scale σ, [`posterior`].
//! * **Age.** A sale that is `t` days older than the newest counts as `2^(−t/h)` of it, `h` being
//!   the half-life; the weights `w` are these, scaled to add up to Kish's effective number of
//!   sales, `(Σ)²/Σ²`, so that uneven weights and not age itself cost information (sales of one
//!   age count in full, however old: what may have changed since is the trend's doubt).
//!   Likelihood contributions are raised to the power `w`. A sale whose day was not recorded is
//!   taken as of the (weighted) average age of the dated ones, and counts as much as they do on
//!   average; where none is dated, the trend is left out and all count 1.
//! * **Rules of thumb** are priors with heavy tails, Student-t with 2 degrees of freedom, so that
//!   comps win a conflict with a rule that is far off; a stated range then holds about two times in
//!   three, [`prior`]. With both ends on the log scale the location is `(lo + hi)/2` and the scale
//!   `(hi − lo)/(2 · 1.2816)`. Per cents `p` become `log(1 ± p/100)`; money `m` becomes
//!   `log(1 ± m/P)` with `P` the weighted median price of the comps. See [`design`].
//! * **Variants** are exchangeable: one effect for each, that of the unit itself included, with half
//!   the variance that the rule gives to the difference of two. A variant that no comp has is
//!   doubted accordingly.
//! * **Related models** of the book bring the rules of thumb and the usual spread up to date before
//!   the comps of this one are heard: a hierarchical normal model of each adjustment and of log σ,
//!   [`pool`].
//! * **Signs.** A worse grade, a missing piece or a defect never raises the price and an extra
//!   never lowers it: the belief is cut off at zero.
//! * **Posterior.** Expectation propagation, [`ep`], at every place of a grid over σ and the kinds of
//!   errors, [`posterior`]. The prior on σ is lognormal, worth `n₀` comps at the usual spread.
//! * **Steps.** Days on which all prices changed at once are found before the fit and get a column
//!   each; what is not sure is averaged over, [`step`].
//! * **What a unit does not say** of itself is not known: it may be anything that the comps are, as
//!   often as among them ([`design::Possible`]).
//! * **Huber's and Tukey's estimators**, where the settings ask for them, say how much each comp
//!   counts, [`robust`]; the rest is as for normal errors.
//!
//! With flat priors, normal errors and no decay the posterior mean *is* ordinary least squares.

pub mod design;
pub mod ep;
mod facts;
pub mod matrix;
pub mod pool;
pub mod posterior;
pub mod prior;
pub mod robust;
mod rows;
pub mod solve;
pub mod step;
pub mod term;
pub mod thumb;
