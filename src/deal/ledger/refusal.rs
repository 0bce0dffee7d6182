//! Reason why an entry is refused.

/// Reason why an entry is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct Refusal {
    /// The error.
    pub message: String,
    /// How to proceed; may be empty.
    pub next: String,
}

pub(super) fn refuse<T>(message: impl Into<String>, next: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal {
        message: message.into(),
        next: next.into(),
    })
}
