//! Why an entry cannot be entered.

/// Why an entry cannot be entered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct Refusal {
    /// What is wrong.
    pub message: String,
    /// What to do; may be empty.
    pub next: String,
}

pub(super) fn refuse<T>(message: impl Into<String>, next: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal {
        message: message.into(),
        next: next.into(),
    })
}
