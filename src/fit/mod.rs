//! The fit: what each step of wear, missing piece, extra, defect, month and way of selling is
//! worth, from the comps and from rules of thumb.
//!
//! # Method
//!
//! For the sale `i` with price `Pᵢ` the model is
//!
//! ```text
//! log Pᵢ = level + Σ grade steps + Σ pieces missing + Σ extras + Σ defects
//!          + trend · monthsᵢ + how sold + variant + σ εᵢ,      εᵢ ~ Student-t(ν)
//! ```
//!
//! * **Pieces.** What is missing and what is extra is counted from one canonical form of completeness,
//!   missing pieces and extras ([`crate::select::pieces`]): any two descriptions of the same pieces
//!   give the same row. A unit that does not say what it has gets the weighted average row of the
//!   sets it may be.
//! * **Errors.** Student-t errors (ν = 4 unless set) let a few odd sales stand without pulling
//!   the rest (Lange, Little and Taylor 1989). The fit is iteratively reweighted least squares,
//!   [`robust`].
//! * **Age.** A sale that is `t` days older than the newest counts as `2^(−t/h)` of it, `h` being
//!   the half-life; the weights `w` are these, scaled to add up to Kish's effective number of
//!   sales, `(Σ)²/Σ²`, so that uneven weights and not age itself cost information (sales of one
//!   age count in full, however old: what may have changed since is the trend's doubt).
//!   Likelihood contributions are raised to the power `w`. A sale whose day was not recorded is
//!   taken as of the (weighted) average age of the dated ones, and counts as much as they do on
//!   average; where none is dated, the trend is left out and all count 1.
//! * **Rules of thumb** are Student-t priors with 2 degrees of freedom, [`prior`]. A range from low to
//!   high holds about two times in three: with both ends on the log scale, the location is
//!   `(lo + hi)/2` and the scale `(hi − lo)/(2 · 1.2816)`.
//!   Per cents `p` become `log(1 ± p/100)`; money `m` becomes `log(1 ± m/P)` with `P` the
//!   weighted median price of the comps. See [`design`].
//! * **Other models** of the book bring the rules of thumb up to date before the comps of this one
//!   are heard: a hierarchical normal model of what each says of an adjustment, [`pool`].
//! * **Signs.** A worse grade, a missing piece or a defect never raises the price and an extra
//!   never lowers it: active-set least squares, [`solve`].
//! * **Spread.** The prior on σ² is scaled inverse chi-square, worth `n₀` comps at `s₀`:
//!   `σ² = (n₀ s₀² + Σ wᵢ uᵢ rᵢ²) / (n₀ + Σ wᵢ − tr H)`, with `H` the hat matrix (Gelman et al.,
//!   *Bayesian Data Analysis*, 3rd edition, section 2.6). That one value serves the
//!   adjustments; the band weighs every value by how likely it is, and tails heavier and lighter
//!   than those of the fit likewise, [`spread`].
//! * **Steps.** Days on which all prices changed at once are found before the fit and get a column
//!   each; what is not sure is averaged over, [`step`].
//! * **Uncertainty.** Posterior precision `X'AX (ν+1)/(ν+3) + P`, where `A` holds `wᵢuᵢ/σ²` and `P`
//!   the prior precisions; the factor `(ν+1)/(ν+3)` is the information lost by not knowing
//!   which sales are odd (Lange, Little and Taylor 1989). It is only ever used in factored
//!   form.
//!
//! With flat priors, ν infinite and no decay this *is* ordinary least squares.

pub mod design;
pub mod ep;
pub mod pool;
pub mod posterior;
pub mod prior;
pub mod robust;
pub mod solve;
pub mod step;
