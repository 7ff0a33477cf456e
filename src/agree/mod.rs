//! Agreement.
