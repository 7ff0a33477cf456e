//! context
