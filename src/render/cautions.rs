//! Cautions about work on a unit.

/// Cautions about repairs.
pub(super) const CAUTIONS: [&str; 3] = [
    "A swollen or dented lithium cell can catch fire: keep it apart and hand it in; new cells of the right kind only.",
    "Mains supplies hold a charge when unplugged: leave them to qualified people, and keep to local rules.",
    "Before paying, see that no activation or owner's lock is on and that the unit is the seller's to sell; before selling, wipe what is on it.",
];
