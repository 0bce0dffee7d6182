//! Integration tests, one binary.

mod import;
