//! guideline
