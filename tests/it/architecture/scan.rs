//! Reads Rust source as tokens and lists the paths it names, so that comments and strings cannot hide or fake one.

use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// A path as written, resolved: `crate::a::b`, `super::b` and `use crate::{a::b}` all come out as `["crate", "a", "b"]`;
/// a path into another crate starts with that crate's name.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    pub line: usize,
    pub path: Vec<String>,
}

/// Keywords that may stand before a path which begins with `::`, as in `use ::std::fs`.
const KEYWORDS: [&str; 12] = ["use", "as", "in", "dyn", "impl", "for", "mut", "return", "match", "if", "while", "else"];

/// One source file without its tests.
#[derive(Debug)]
pub struct Source {
    /// File name relative to `src`.
    pub file: String,
    /// Where it stands in the crate: empty for `lib.rs`.
    pub module: Vec<String>,
    pub paths: Vec<Named>,
    /// Names of methods called, with their lines.
    pub calls: Vec<(usize, String)>,
    /// `mod name;` declarations that are not for tests alone, in order.
    pub modules: Vec<String>,
    /// The same for those that are for tests alone; what they use is not looked at.
    pub test_modules: Vec<String>,
    /// Lines with `use crate as x` or `extern crate self`: they would hide paths from this test.
    pub hidden: Vec<usize>,
}

/// The source of one file.
pub fn scan(file: &str, module: &[String], text: &str) -> Result<Source, String> {
    let tokens = TokenStream::from_str(text).map_err(|e| format!("{file}: not Rust: {e}"))?;
    let mut source = Source {
        file: file.into(),
        module: module.into(),
        paths: Vec::new(),
        calls: Vec::new(),
        modules: Vec::new(),
        test_modules: Vec::new(),
        hidden: Vec::new(),
    };
    walk(&tokens.into_iter().collect::<Vec<_>>(), module, &mut source);
    Ok(source)
}

/// Every file that `lib.rs` reaches through `mod` declarations, and the `.rs` files of `src` that it does not reach.
pub fn scan_crate(src: &Path) -> Result<(Vec<Source>, Vec<String>), String> {
    let mut sources = Vec::new();
    let mut waiting = vec![(src.join("lib.rs"), src.to_path_buf(), Vec::new())];
    let mut reached = vec![src.join("main.rs")];
    while let Some((file, folder, module)) = waiting.pop() {
        let text = fs::read_to_string(&file).map_err(|e| format!("{}: {e}", file.display()))?;
        let name = file.strip_prefix(src).unwrap_or(&file).to_string_lossy().replace('\\', "/");
        let source = scan(&name, &module, &text)?;
        let file_of = |child: &String| {
            let flat = folder.join(format!("{child}.rs"));
            if flat.exists() { flat } else { folder.join(child).join("mod.rs") }
        };
        for child in &source.modules {
            waiting.push((file_of(child), folder.join(child), [module.clone(), vec![child.clone()]].concat()));
        }
        reached.extend(source.test_modules.iter().map(file_of));
        reached.push(file);
        sources.push(source);
    }
    let mut all = Vec::new();
    rust_files(src, &mut all)?;
    let unreached = all.into_iter().filter(|f| !reached.contains(f));
    Ok((sources, unreached.map(|f| f.strip_prefix(src).unwrap_or(&f).to_string_lossy().into_owned()).collect()))
}

/// All `.rs` files under a folder.
pub fn rust_files(folder: &Path, into: &mut Vec<PathBuf>) -> Result<(), String> {
    let entries = fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    for path in entries.map(|e| e.map(|e| e.path()).map_err(|e| e.to_string())) {
        let path = path?;
        if path.is_dir() {
            rust_files(&path, into)?;
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
    Ok(())
}

fn ident(tokens: &[TokenTree], i: usize) -> Option<String> {
    match tokens.get(i) {
        Some(TokenTree::Ident(id)) => Some(id.to_string()),
        _ => None,
    }
}

fn punct(tokens: &[TokenTree], i: usize, c: char) -> bool {
    matches!(tokens.get(i), Some(TokenTree::Punct(p)) if p.as_char() == c)
}

fn group(tokens: &[TokenTree], i: usize, delimiter: Delimiter) -> Option<Vec<TokenTree>> {
    match tokens.get(i) {
        Some(TokenTree::Group(g)) if g.delimiter() == delimiter => Some(g.stream().into_iter().collect()),
        _ => None,
    }
}

fn colons(tokens: &[TokenTree], i: usize) -> bool {
    punct(tokens, i, ':') && punct(tokens, i + 1, ':')
}

/// Whether the name at `i` goes on from a type in angle brackets: `<T as X>::name`, not `-> ::std::name`.
fn continues(tokens: &[TokenTree], i: usize) -> bool {
    i > 3 && colons(tokens, i - 2) && punct(tokens, i - 3, '>') && !punct(tokens, i - 4, '-')
}

fn line(tokens: &[TokenTree], i: usize) -> usize {
    tokens.get(i).map_or(0, |t| t.span().start().line)
}

/// `#[cfg(test)]` or `#[cfg(all(test, …))]`; `any(test, …)` and `not(test)` also build without tests.
fn is_for_tests(attribute: &[TokenTree]) -> bool {
    let inside = |tokens: &[TokenTree], name: &str| {
        (ident(tokens, 0).as_deref() == Some(name)).then(|| group(tokens, 1, Delimiter::Parenthesis)).flatten()
    };
    let Some(condition) = inside(attribute, "cfg") else { return false };
    let conditions = inside(&condition, "all").unwrap_or(condition);
    conditions
        .split(|t| matches!(t, TokenTree::Punct(p) if p.as_char() == ','))
        .any(|c| c.len() == 1 && ident(c, 0).as_deref() == Some("test"))
}

/// The index after the item that starts at `i`, which may have more attributes.
fn after_item(tokens: &[TokenTree], mut i: usize) -> usize {
    while punct(tokens, i, '#') {
        i += 2;
    }
    let ends_at_semicolon = (i..tokens.len()).take(4).any(|j| ident(tokens, j).as_deref() == Some("use"));
    while i < tokens.len() {
        if punct(tokens, i, ';') || (!ends_at_semicolon && group(tokens, i, Delimiter::Brace).is_some()) {
            return i + 1;
        }
        i += 1;
    }
    i
}

fn walk(tokens: &[TokenTree], module: &[String], out: &mut Source) {
    let mut i = 0;
    while i < tokens.len() {
        if punct(tokens, i, '#') {
            let at = if punct(tokens, i + 1, '!') { i + 2 } else { i + 1 };
            if let Some(attribute) = group(tokens, at, Delimiter::Bracket) {
                if at == i + 1 && is_for_tests(&attribute) {
                    let end = after_item(tokens, at + 1);
                    let item = tokens.get(at + 1..end).unwrap_or_default();
                    if let Some(TokenTree::Ident(name)) = item.len().checked_sub(2).and_then(|last| item.get(last))
                        && item.len() > 2
                        && ident(item, item.len() - 3).as_deref() == Some("mod")
                    {
                        out.test_modules.push(name.to_string());
                    }
                    i = end;
                    continue;
                }
                walk_attribute(&attribute, module, out);
                i = at + 1;
                continue;
            }
        }
        match ident(tokens, i).as_deref() {
            Some("mod") if ident(tokens, i + 1).is_some() => {
                let name = ident(tokens, i + 1).unwrap_or_default();
                if let Some(body) = group(tokens, i + 2, Delimiter::Brace) {
                    walk(&body, &[module, &[name]].concat(), out);
                } else {
                    out.modules.push(name);
                }
                i += 3;
                continue;
            }
            Some("extern") if ident(tokens, i + 1).as_deref() == Some("crate") => {
                if ident(tokens, i + 2).as_deref() == Some("self") {
                    out.hidden.push(line(tokens, i));
                }
                i += 3;
                continue;
            }
            Some("crate") if ident(tokens, i + 1).as_deref() == Some("as") => out.hidden.push(line(tokens, i)),
            Some("use") if group(tokens, i + 1, Delimiter::Brace).is_some() => {
                let inner = group(tokens, i + 1, Delimiter::Brace).unwrap_or_default();
                list(&inner, &[], module, out);
                i += 2;
                continue;
            }
            Some(name) if colons(tokens, i + 1) && !KEYWORDS.contains(&name) && !continues(tokens, i) => {
                i = path(tokens, i, &[], module, out);
                continue;
            }
            Some(name) if i > 0 && punct(tokens, i - 1, '.') && group(tokens, i + 1, Delimiter::Parenthesis).is_some() => {
                out.calls.push((line(tokens, i), name.into()));
            }
            _ => {}
        }
        if let Some(TokenTree::Group(g)) = tokens.get(i) {
            walk(&g.stream().into_iter().collect::<Vec<_>>(), module, out);
        }
        i += 1;
    }
}

/// Attributes name paths in strings (`#[serde(default = "crate::x")]`); documentation does not count.
fn walk_attribute(attribute: &[TokenTree], module: &[String], out: &mut Source) {
    if ident(attribute, 0).as_deref() == Some("doc") {
        return;
    }
    walk(attribute, module, out);
    let mut strings: Vec<TokenTree> = attribute.to_vec();
    while let Some(t) = strings.pop() {
        match t {
            TokenTree::Group(g) => strings.extend(g.stream()),
            TokenTree::Literal(l) => {
                if let Ok(inner) = TokenStream::from_str(l.to_string().trim_matches('"')) {
                    let first = out.paths.len();
                    walk(&inner.into_iter().collect::<Vec<_>>(), module, out);
                    let at = l.span().start().line;
                    out.paths[first..].iter_mut().for_each(|p| p.line = at);
                }
            }
            _ => {}
        }
    }
}

/// Reads a path or use tree that starts at `i` under `base`, records what it names, and returns the index after it.
fn path(tokens: &[TokenTree], mut i: usize, base: &[String], module: &[String], out: &mut Source) -> usize {
    let start = line(tokens, i);
    let mut segments = base.to_vec();
    let here = || [&["crate".to_string()], module].concat();
    loop {
        if let Some(inner) = group(tokens, i, Delimiter::Brace) {
            list(&inner, &segments, module, out);
            return i + 1;
        }
        match ident(tokens, i).as_deref() {
            Some("super") if segments.is_empty() => {
                segments = here();
                segments.pop();
            }
            Some("super") => {
                segments.pop();
            }
            Some("self") if segments.is_empty() => segments = here(),
            Some("self") => {}
            Some("osspan") if segments.is_empty() => segments.push("crate".into()),
            Some(name) => segments.push(name.into()),
            None if punct(tokens, i, '*') => segments.push("*".into()),
            // `Vec::<T>::new`, or the end of something like `a::b`: what was read so far is the path.
            None => break,
        }
        i += 1;
        if !colons(tokens, i) {
            break;
        }
        i += 2;
    }
    out.paths.push(Named { line: start, path: segments });
    i
}

/// The elements of a use list in braces.
fn list(inner: &[TokenTree], base: &[String], module: &[String], out: &mut Source) {
    for element in inner.split(|t| matches!(t, TokenTree::Punct(p) if p.as_char() == ',')).filter(|e| !e.is_empty()) {
        if base.len() == 1 && base.first().is_some_and(|b| b == "crate") && ident(element, 0).as_deref() == Some("self") {
            out.hidden.push(line(element, 0));
        }
        let skip = usize::from(colons(element, 0)) * 2;
        path(element, skip, base, module, out);
    }
}
