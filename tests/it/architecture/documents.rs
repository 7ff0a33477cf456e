//! The documents keep up with the code: the module table, the tests that hold each invariant, links, and the options named.

use std::path::Path;

use super::{scan, src};

/// Words in backquotes of a table's column, from the lines that begin with `|`.
fn quoted_in_column(page: &str, column: usize) -> Vec<Vec<String>> {
    let cells = page.lines().filter(|l| l.starts_with('|')).filter_map(|l| l.split('|').nth(column));
    cells.map(|cell| cell.split('`').skip(1).step_by(2).map(Into::into).collect()).collect()
}

#[test]
fn the_architecture_page_lists_the_modules_and_names_tests_that_exist() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("docs/ARCHITECTURE.md")).unwrap();
    let (modules, invariants) = page.split_once("## Invariants").unwrap();
    let lib = scan::scan("lib.rs", &[], &std::fs::read_to_string(src().join("lib.rs")).unwrap()).unwrap();
    let listed: Vec<String> = quoted_in_column(modules, 1).into_iter().flatten().collect();
    assert_eq!(listed, lib.modules, "docs/ARCHITECTURE.md lists other modules than lib.rs, or in another order");
    let held: Vec<Vec<String>> = quoted_in_column(invariants, 2).into_iter().skip(2).collect();
    assert!(held.len() > 5, "the table of invariants was not found");
    for by in held {
        assert!(!by.is_empty(), "an invariant names nothing that holds it");
        for what in by {
            let file = what.split(' ').next().unwrap_or_default();
            assert!(root.join(file).exists(), "docs/ARCHITECTURE.md names {file}, which does not exist");
        }
    }
}

#[test]
fn links_between_documents_lead_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut pages = vec![root.join("README.md"), root.join("DEVELOPERS.md")];
    let docs = std::fs::read_dir(root.join("docs")).unwrap().map(|e| e.unwrap().path());
    pages.extend(docs.filter(|p| p.extension().is_some_and(|e| e == "md")));
    let mut dead = Vec::new();
    for page in &pages {
        let text = std::fs::read_to_string(page).unwrap();
        for target in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let file = target.split('#').next().unwrap_or_default();
            if !file.is_empty() && !file.contains("://") && !page.parent().unwrap().join(file).exists() {
                dead.push(format!("{} links to {target}", page.display()));
            }
        }
    }
    assert!(pages.len() > 4, "only {} documents were found", pages.len());
    assert!(dead.is_empty(), "{}", dead.join("\n"));
}
