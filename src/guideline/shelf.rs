//! The tables at hand: the bundled ones, their earlier texts, and those that a department adds.

use std::sync::LazyLock;

use super::Table;
use crate::error::{Error, ErrorKind, Result};

/// The texts of the bundled tables.
const BUNDLED: [&str; 3] =
    [include_str!("tables/us-consensus-2014.toml"), include_str!("tables/rcog-2018.toml"), include_str!("tables/sogc-2020.toml")];

/// Earlier texts of bundled tables: records that were made with one are still recomputed.
const EARLIER: [&str; 3] = [
    include_str!("tables/earlier/us-consensus-2014-1.toml"),
    include_str!("tables/earlier/rcog-2018-1.toml"),
    include_str!("tables/earlier/sogc-2020-1.toml"),
];

/// Parsed once, for however many records.
static PARSED: LazyLock<(Vec<Table>, Vec<Table>)> = LazyLock::new(|| {
    let parse = |texts: &[&str]| texts.iter().filter_map(|t| Table::parse(t).ok()).collect();
    (parse(&BUNDLED), parse(&EARLIER))
});

/// The bundled tables.
///
/// # Errors
/// [`ErrorKind::Guideline`] when a bundled table is faulty, which a test rules out.
pub fn tables() -> Result<Vec<Table>> {
    BUNDLED.iter().map(|text| Table::parse(text)).collect()
}

/// Earlier texts of the bundled tables, for recomputing old records.
#[must_use]
pub fn earlier() -> &'static [Table] {
    &PARSED.1
}

/// The bundled table of this id.
///
/// # Errors
/// [`ErrorKind::Guideline`] when there is none; the message names those there are.
pub fn table(id: &str) -> Result<Table> {
    Shelf::bundled().table(id).cloned()
}

/// The tables to choose from: the bundled ones, then a department's own.
#[derive(Clone, Debug, Default)]
pub struct Shelf {
    own: Vec<Table>,
    all: Vec<Table>,
}

impl Shelf {
    /// The bundled tables alone.
    #[must_use]
    pub fn bundled() -> Self {
        Self { own: Vec::new(), all: PARSED.0.clone() }
    }

    /// Puts a department's table beside the others.
    ///
    /// # Errors
    /// [`ErrorKind::Guideline`] when its id is taken by another text. The same text twice is one table.
    pub fn add(&mut self, table: Table) -> Result<()> {
        if let Some(there) = self.all.iter().find(|t| t.id == table.id) {
            return if there.digest == table.digest {
                Ok(())
            } else {
                Err(Error::new(ErrorKind::Guideline, format!("the id \"{}\" is taken by another table", table.id))
                    .expected("an id of its own for each table, such as our-unit-2026")
                    .found(format!("{} {} of the same id", there.name, there.edition)))
            };
        }
        self.own.push(table.clone());
        self.all.push(table);
        Ok(())
    }

    /// Every table, the bundled ones first.
    #[must_use]
    pub fn all(&self) -> &[Table] {
        &self.all
    }

    /// The department's own.
    #[must_use]
    pub fn own(&self) -> &[Table] {
        &self.own
    }

    /// The table of this id.
    ///
    /// # Errors
    /// [`ErrorKind::Guideline`] when there is none; the message names those there are.
    pub fn table(&self, id: &str) -> Result<&Table> {
        self.all.iter().find(|t| t.id == id).ok_or_else(|| {
            let known = self.all.iter().map(|t| t.id.as_str()).collect::<Vec<_>>().join(", ");
            Error::new(ErrorKind::Guideline, "there is no such guideline table")
                .expected(format!("one of {known}"))
                .found(format!("\"{id}\""))
        })
    }

    /// The table of exactly this text: one at hand, or an earlier text of a bundled one.
    #[must_use]
    pub fn by_digest(&self, id: &str, digest: &str) -> Option<&Table> {
        self.all.iter().chain(earlier()).find(|t| t.id == id && t.digest == digest)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn a_department_table_stands_beside_the_others_and_takes_nobodys_id() {
        let text = BUNDLED[1].replace("id = \"rcog-2018\"", "id = \"our-unit\"");
        let mut shelf = Shelf::bundled();
        let own = Table::parse(&text).unwrap();
        shelf.add(own.clone()).unwrap();
        shelf.add(own).unwrap();
        assert_eq!((shelf.all().len(), shelf.own().len()), (4, 1));
        assert!(shelf.table("our-unit").is_ok() && shelf.table("their-unit").unwrap_err().to_string().contains("our-unit"));
        let other = Table::parse(&format!("{}\n# another text\n", BUNDLED[1])).unwrap();
        assert!(shelf.add(other).unwrap_err().to_string().contains("taken"));
    }

    #[test]
    fn earlier_texts_are_found_by_their_digest_and_say_the_same_bands() {
        assert_eq!((tables().unwrap().len(), earlier().len()), (3, EARLIER.len()));
        let shelf = Shelf::bundled();
        for old in earlier() {
            let now = shelf.table(old.id()).unwrap();
            assert_ne!(now.digest(), old.digest());
            assert_eq!(now.bands(), old.bands());
            assert_eq!(shelf.by_digest(old.id(), old.digest()), Some(old));
        }
    }
}
