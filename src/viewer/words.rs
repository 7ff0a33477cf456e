//! Words that several parts of the window make in the same way.

/// So many of something that takes an s: "1 reading", "3 readings".
#[must_use]
pub fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

#[cfg(test)]
mod tests {
    use super::counted;

    #[test]
    fn one_has_no_s() {
        assert_eq!([0, 1, 2].map(|n| counted(n, "saved reading")), ["0 saved readings", "1 saved reading", "2 saved readings"]);
    }
}
