//! m
fn main() {}
