//! Reads a tree of Rust sources: which files its `mod` lines name, and which
//! paths each of them writes, resolved to where the named item is defined.
//!
//! What is read: `use` trees, paths in expressions, types, patterns and
//! attributes, and the tokens of macro calls. What no path shows is not seen:
//! a method on a value that somebody else made.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use proc_macro2::{TokenStream, TokenTree};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};
use syn::{Attribute, Item, Meta, UseTree};

/// Segments of a path; within the crate the first is `crate`.
pub type Segments = Vec<String>;

/// A path that a file writes.
#[derive(Debug, Clone)]
pub struct Mention {
    pub file: String,
    pub line: usize,
    /// Aliases, `self` and `super` resolved, re-exports not. The name of a
    /// macro ends with `!`.
    pub path: Segments,
    /// Stands in code that only tests compile.
    pub test: bool,
    /// A `pub use`: it hands a name on and does not use it.
    pub hands_on: bool,
}

impl Mention {
    pub fn text(&self) -> String {
        self.path.join("::")
    }

    /// The folder of the crate that the path goes into.
    pub fn folder(&self) -> Option<&str> {
        match self.path.as_slice() {
            [root, folder, ..] if root == "crate" => Some(folder),
            _ => None,
        }
    }
}

/// A name that a file gives: to a type, a function, a module.
#[derive(Debug, Clone)]
pub struct Given {
    pub file: String,
    pub line: usize,
    pub name: String,
    /// A type that other files may name; not of tests.
    pub is_shared_type: bool,
}

/// One file needs what another defines.
#[derive(Debug, Clone)]
pub struct Edge {
    pub from: String,
    pub to: String,
    pub line: usize,
}

#[derive(Debug, Default)]
struct Module {
    file: String,
    defined: BTreeSet<String>,
    /// Name in this module → path as resolved where it is written.
    imported: BTreeMap<String, Segments>,
    globs: Vec<Segments>,
}

/// A tree of sources; paths of files are relative to its root, with `/`.
#[derive(Debug)]
pub struct Tree {
    texts: BTreeMap<String, String>,
    modules: BTreeMap<Segments, Module>,
    mentions: Vec<Mention>,
    given: Vec<Given>,
}

/// All `.rs` files below a folder.
pub fn rust_files(root: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![root.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

impl Tree {
    /// The tree of a folder with a `lib.rs`, a `main.rs` or both.
    pub fn read(root: &Path) -> Self {
        let texts = rust_files(root)
            .into_iter()
            .map(|path| {
                let relative = path.strip_prefix(root).unwrap().to_str().unwrap();
                (
                    relative.replace('\\', "/"),
                    std::fs::read_to_string(&path).unwrap(),
                )
            })
            .collect();
        Self::of(texts)
    }

    /// A made-up tree.
    pub fn made_up(files: &[(&str, &str)]) -> Self {
        Self::of(
            files
                .iter()
                .map(|(path, text)| ((*path).to_owned(), (*text).to_owned()))
                .collect(),
        )
    }

    fn of(texts: BTreeMap<String, String>) -> Self {
        let mut tree = Self {
            texts,
            modules: BTreeMap::new(),
            mentions: Vec::new(),
            given: Vec::new(),
        };
        let mut written = Vec::new();
        for (root, name) in [("lib.rs", "crate"), ("main.rs", "main")] {
            if tree.texts.contains_key(root) {
                tree.file(root, vec![name.to_owned()], false, &mut written);
            }
        }
        tree.mentions = written
            .into_iter()
            .filter_map(|raw| tree.mention(raw))
            .collect();
        tree
    }

    pub fn files(&self) -> impl Iterator<Item = (&str, &str)> {
        self.texts
            .iter()
            .map(|(path, text)| (path.as_str(), text.as_str()))
    }

    pub fn mentions(&self) -> &[Mention] {
        &self.mentions
    }

    pub fn given(&self) -> &[Given] {
        &self.given
    }

    /// Files that a chain of `mod` lines reaches from `lib.rs` or `main.rs`.
    pub fn named_files(&self) -> BTreeSet<&str> {
        self.modules
            .values()
            .map(|module| module.file.as_str())
            .collect()
    }

    fn file(&mut self, path: &str, module: Segments, test: bool, written: &mut Vec<Written>) {
        let ast = syn::parse_file(&self.texts[path])
            .unwrap_or_else(|error| panic!("src/{path} is not Rust: {error}"));
        let mut reader = Reader {
            file: path.to_owned(),
            module: module.clone(),
            test: test || ast.attrs.iter().any(only_for_tests),
            modules: &mut self.modules,
            given: &mut self.given,
            written,
            elsewhere: Vec::new(),
        };
        reader.enter(&module, &ast.items);
        for attribute in &ast.attrs {
            reader.visit_attribute(attribute);
        }
        for item in &ast.items {
            reader.visit_item(item);
        }
        for (child, named, test) in std::mem::take(&mut reader.elsewhere) {
            let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
            let stem = path.rsplit('/').next().unwrap().trim_end_matches(".rs");
            let name = child.last().unwrap();
            let owner = |folder: &str| match (folder, stem) {
                ("", "lib" | "main" | "mod") => String::new(),
                ("", stem) => format!("{stem}/"),
                (folder, "mod") => format!("{folder}/"),
                (folder, stem) => format!("{folder}/{stem}/"),
            };
            let candidates = match named {
                Some(named) if folder.is_empty() => vec![named],
                Some(named) => vec![format!("{folder}/{named}")],
                None => vec![
                    format!("{}{name}.rs", owner(folder)),
                    format!("{}{name}/mod.rs", owner(folder)),
                ],
            };
            let found = candidates
                .iter()
                .find(|candidate| self.texts.contains_key(*candidate))
                .unwrap_or_else(|| panic!("src/{path}: `mod {name};` without a file"));
            self.file(&found.clone(), child, test, written);
        }
    }

    /// Resolves what was written; nothing if it names nothing outside itself.
    fn mention(&self, raw: Written) -> Option<Mention> {
        let path = self.absolute(&raw.module, &raw.path, raw.import)?;
        Some(Mention {
            file: raw.file,
            line: raw.line,
            path,
            test: raw.test,
            hands_on: raw.hands_on,
        })
    }

    fn absolute(&self, module: &Segments, path: &[String], import: bool) -> Option<Segments> {
        let (first, rest) = path.split_first()?;
        let joined = |start: &[String]| Some(start.iter().chain(rest).cloned().collect());
        match first.as_str() {
            "crate" => return joined(&module[..1]),
            "spanhold" => return joined(&["crate".to_owned()]),
            "self" => return joined(module),
            "super" => {
                let mut base = &module[..module.len().saturating_sub(1)];
                let mut rest = rest;
                while let Some((again, after)) = rest.split_first().filter(|(s, _)| *s == "super") {
                    let _ = again;
                    base = &base[..base.len().saturating_sub(1)];
                    rest = after;
                }
                return Some(base.iter().chain(rest).cloned().collect());
            }
            "Self" => return None,
            _ => {}
        }
        if !import && let Some(start) = self.modules[module].imported.get(first) {
            let path: Segments = start.iter().chain(rest).cloned().collect();
            // An alias of an alias: `use crate::setup::Role; use Role as R;`
            let again = path
                .first()
                .is_some_and(|next| next != first && next != "crate");
            return if again {
                self.absolute(module, &path, false)
            } else {
                Some(path)
            };
        }
        // A single name that no `use` brings is the file's own, or a macro.
        if path.len() == 1 && !import {
            return first.ends_with('!').then(|| path.to_vec());
        }
        let mut child = module.clone();
        child.push(first.clone());
        if self.modules.contains_key(&child) {
            return joined(&child);
        }
        if self.modules[module].defined.contains(first) {
            return None;
        }
        for glob in &self.modules[module].globs {
            if let Some(target) = self.lookup(glob, first, 0) {
                return joined(&target);
            }
        }
        // Only a crate's name is left, or a type's: `u64::MAX`, `Vec::new`.
        let primitive = [
            "bool", "char", "str", "f32", "f64", "i8", "i16", "i32", "i64", "i128", "isize", "u8",
            "u16", "u32", "u64", "u128", "usize",
        ];
        let is_crate = first.starts_with(|c: char| c.is_ascii_lowercase())
            && !primitive.contains(&first.as_str());
        is_crate.then(|| path.to_vec())
    }

    /// Where `name` in `module` comes from: as a module, defined there, or
    /// handed on from elsewhere.
    fn lookup(&self, module: &Segments, name: &str, depth: usize) -> Option<Segments> {
        if depth > 16 {
            return None;
        }
        let mut full = module.clone();
        full.push(name.to_owned());
        if self.modules.contains_key(&full) {
            return Some(full);
        }
        let of = self.modules.get(module)?;
        if of.defined.contains(name) {
            return Some(full);
        }
        if let Some(path) = of.imported.get(name) {
            return Some(self.definition(path, depth + 1));
        }
        of.globs
            .iter()
            .find_map(|glob| self.lookup(glob, name, depth + 1))
    }

    /// The path with re-exports resolved; what cannot be resolved stays.
    fn definition(&self, path: &[String], depth: usize) -> Segments {
        let mut at: Segments = path[..1].to_vec();
        for (i, name) in path.iter().enumerate().skip(1) {
            let Some(next) = self.lookup(&at, name, depth) else {
                return at.iter().chain(&path[i..]).cloned().collect();
            };
            at = next;
        }
        at
    }

    /// The path of a mention with re-exports resolved.
    pub fn defined(&self, mention: &Mention) -> Segments {
        self.definition(&mention.path, 0)
    }

    /// The file that defines what a path within the crate names.
    fn file_of(&self, path: &[String]) -> Option<&str> {
        let definition = self.definition(path, 0);
        (1..=definition.len())
            .rev()
            .find_map(|length| self.modules.get(&definition[..length]))
            .map(|module| module.file.as_str())
    }

    /// What files need of each other outside their tests. A module named
    /// without an item of it and a name handed on are no need.
    pub fn edges(&self) -> Vec<Edge> {
        self.mentions
            .iter()
            .filter(|mention| !mention.test && !mention.hands_on && mention.folder().is_some())
            .filter(|mention| {
                mention.path.last().is_some_and(|last| last == "*")
                    || !self.modules.contains_key(&self.defined(mention))
            })
            .filter_map(|mention| {
                let path: Segments = mention
                    .path
                    .iter()
                    .filter(|segment| *segment != "*")
                    .cloned()
                    .collect();
                let to = self.file_of(&path)?;
                (to != mention.file).then(|| Edge {
                    from: mention.file.clone(),
                    to: to.to_owned(),
                    line: mention.line,
                })
            })
            .collect()
    }
}

/// A path as it stands in a file.
struct Written {
    file: String,
    line: usize,
    module: Segments,
    path: Segments,
    test: bool,
    import: bool,
    hands_on: bool,
}

struct Reader<'a> {
    file: String,
    module: Segments,
    test: bool,
    modules: &'a mut BTreeMap<Segments, Module>,
    given: &'a mut Vec<Given>,
    written: &'a mut Vec<Written>,
    /// `mod name;` found: module, `#[path]`, whether only tests compile it.
    elsewhere: Vec<(Segments, Option<String>, bool)>,
}

/// `#[cfg(test)]`, `#[cfg(all(test, …))]` or `#[test]`.
fn only_for_tests(attribute: &Attribute) -> bool {
    if attribute.path().is_ident("test") {
        return true;
    }
    let Meta::List(list) = &attribute.meta else {
        return false;
    };
    if !attribute.path().is_ident("cfg") {
        return false;
    }
    let mut condition = String::new();
    write!(condition, "{}", list.tokens).unwrap();
    let condition: String = condition.split_whitespace().collect();
    condition == "test" || condition.starts_with("all(test,")
}

fn attributes(item: &Item) -> &[Attribute] {
    match item {
        Item::Const(i) => &i.attrs,
        Item::Enum(i) => &i.attrs,
        Item::ExternCrate(i) => &i.attrs,
        Item::Fn(i) => &i.attrs,
        Item::Impl(i) => &i.attrs,
        Item::Macro(i) => &i.attrs,
        Item::Mod(i) => &i.attrs,
        Item::Static(i) => &i.attrs,
        Item::Struct(i) => &i.attrs,
        Item::Trait(i) => &i.attrs,
        Item::Type(i) => &i.attrs,
        Item::Use(i) => &i.attrs,
        _ => &[],
    }
}

fn is_shared_type(item: &Item) -> bool {
    let visibility = match item {
        Item::Struct(i) => &i.vis,
        Item::Enum(i) => &i.vis,
        Item::Trait(i) => &i.vis,
        Item::Type(i) => &i.vis,
        _ => return false,
    };
    !matches!(visibility, syn::Visibility::Inherited)
}

fn name_given(item: &Item) -> Option<&syn::Ident> {
    Some(match item {
        Item::Const(i) => &i.ident,
        Item::Enum(i) => &i.ident,
        Item::Fn(i) => &i.sig.ident,
        Item::Macro(i) => i.ident.as_ref()?,
        Item::Mod(i) => &i.ident,
        Item::Static(i) => &i.ident,
        Item::Struct(i) => &i.ident,
        Item::Trait(i) => &i.ident,
        Item::Type(i) => &i.ident,
        _ => return None,
    })
}

impl Reader<'_> {
    /// Begins a module: what it defines is known before its imports are read.
    fn enter(&mut self, module: &Segments, items: &[Item]) {
        let entered = self.modules.entry(module.clone()).or_default();
        entered.file.clone_from(&self.file);
        entered.defined = items
            .iter()
            .filter_map(name_given)
            .map(ToString::to_string)
            .collect();
    }

    fn here(&mut self) -> &mut Module {
        self.modules.entry(self.module.clone()).or_default()
    }

    fn write(&mut self, path: Segments, line: usize, import: bool, hands_on: bool) {
        self.written.push(Written {
            file: self.file.clone(),
            line,
            module: self.module.clone(),
            path,
            test: self.test,
            import,
            hands_on,
        });
    }

    /// A path in code. A single small letter name may be a variable; it counts
    /// where it is called, see `visit_expr_call`.
    fn name(&mut self, path: Segments, line: usize) {
        let variable = |name: &String| {
            name.starts_with(|c: char| c.is_lowercase() || c == '_') && !name.ends_with('!')
        };
        if path.len() > 1 || !path.iter().all(variable) {
            self.write(path, line, false, false);
        }
    }

    fn import(&mut self, tree: &UseTree, before: &[String], hands_on: bool) {
        let with = |name: &syn::Ident| -> Segments {
            before.iter().cloned().chain([name.to_string()]).collect()
        };
        let (name, path, line) = match tree {
            UseTree::Path(part) => {
                let path = with(&part.ident);
                return self.import(&part.tree, &path, hands_on);
            }
            UseTree::Group(group) => {
                for tree in &group.items {
                    self.import(tree, before, hands_on);
                }
                return;
            }
            UseTree::Glob(glob) => {
                let line = glob.span().start().line;
                let path = self.start(before);
                self.here().globs.push(path);
                let all: Segments = before.iter().cloned().chain(["*".to_owned()]).collect();
                return self.write(all, line, true, hands_on);
            }
            // `use a::{self}` names `a`.
            UseTree::Name(name) if name.ident == "self" => (
                before.last().cloned().unwrap_or_default(),
                before.to_vec(),
                name.span().start().line,
            ),
            UseTree::Name(name) => (
                name.ident.to_string(),
                with(&name.ident),
                name.span().start().line,
            ),
            UseTree::Rename(rename) => (
                rename.rename.to_string(),
                with(&rename.ident),
                rename.span().start().line,
            ),
        };
        let resolved = self.start(&path);
        self.here().imported.insert(name, resolved);
        self.write(path, line, true, hands_on);
    }

    /// `crate`, `self`, `super` at the head of an import resolved. A child
    /// module needs no `self`.
    fn start(&self, path: &[String]) -> Segments {
        let Some((first, rest)) = path.split_first() else {
            return Vec::new();
        };
        let mut base: &[String] = match first.as_str() {
            "crate" => &self.module[..1],
            "spanhold" => return ["crate".to_owned()].iter().chain(rest).cloned().collect(),
            "self" => &self.module,
            "super" => &self.module[..self.module.len().saturating_sub(1)],
            _ => {
                let is_child = self
                    .modules
                    .get(&self.module)
                    .is_some_and(|module| module.defined.contains(first));
                let base = if is_child {
                    self.module.as_slice()
                } else {
                    &[]
                };
                return base.iter().chain(path).cloned().collect();
            }
        };
        let mut rest = rest;
        while rest.first().is_some_and(|segment| segment == "super") {
            base = &base[..base.len().saturating_sub(1)];
            rest = &rest[1..];
        }
        base.iter().chain(rest).cloned().collect()
    }

    /// Paths in tokens that are not parsed: `a::b::c`, and names of macros.
    fn tokens(&mut self, tokens: TokenStream) {
        let tokens: Vec<TokenTree> = tokens.into_iter().collect();
        let mut path: Segments = Vec::new();
        let mut line = 0;
        let mut i = 0;
        let colon = |token: Option<&TokenTree>| matches!(token, Some(TokenTree::Punct(p)) if p.as_char() == ':');
        while i < tokens.len() {
            match &tokens[i] {
                TokenTree::Ident(ident) => {
                    if path.is_empty() {
                        line = ident.span().start().line;
                    }
                    path.push(ident.to_string());
                    if colon(tokens.get(i + 1))
                        && colon(tokens.get(i + 2))
                        && matches!(tokens.get(i + 3), Some(TokenTree::Ident(_)))
                    {
                        i += 3;
                        continue;
                    }
                    let mut path = std::mem::take(&mut path);
                    let bang = matches!(tokens.get(i + 1), Some(TokenTree::Punct(p)) if p.as_char() == '!');
                    let group = matches!(tokens.get(i + 2), Some(TokenTree::Group(_)));
                    if bang
                        && group
                        && let Some(last) = path.last_mut()
                    {
                        last.push('!');
                    }
                    self.name(path, line);
                }
                TokenTree::Group(group) => self.tokens(group.stream()),
                // `#[serde(with = "super::seconds")]`
                TokenTree::Literal(literal) => {
                    let text = literal.to_string();
                    let text = text.trim_matches('"');
                    if text.starts_with("crate::") || text.starts_with("super::") {
                        let path = text.split("::").map(str::to_owned).collect();
                        self.write(path, literal.span().start().line, false, false);
                    }
                }
                TokenTree::Punct(_) => {}
            }
            i += 1;
        }
    }

    fn within_test(&mut self, test: bool, visit: impl FnOnce(&mut Self)) {
        let before = self.test;
        self.test |= test;
        visit(self);
        self.test = before;
    }
}

impl<'ast> Visit<'ast> for Reader<'_> {
    fn visit_item(&mut self, item: &'ast Item) {
        let test = attributes(item).iter().any(only_for_tests);
        self.within_test(test, |reader| {
            if let Some(name) = name_given(item) {
                let given = Given {
                    file: reader.file.clone(),
                    line: name.span().start().line,
                    name: name.to_string(),
                    is_shared_type: !reader.test && is_shared_type(item),
                };
                reader.given.push(given);
            }
            visit::visit_item(reader, item);
        });
    }

    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        let mut child = self.module.clone();
        child.push(item.ident.to_string());
        let Some((_, items)) = &item.content else {
            let named = item
                .attrs
                .iter()
                .find_map(|attribute| match &attribute.meta {
                    Meta::NameValue(pair) if pair.path.is_ident("path") => match &pair.value {
                        syn::Expr::Lit(literal) => match &literal.lit {
                            syn::Lit::Str(text) => Some(text.value()),
                            _ => None,
                        },
                        _ => None,
                    },
                    _ => None,
                });
            self.elsewhere.push((child, named, self.test));
            return;
        };
        self.enter(&child, items);
        let parent = std::mem::replace(&mut self.module, child);
        for item in items {
            self.visit_item(item);
        }
        self.module = parent;
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let hands_on = !matches!(item.vis, syn::Visibility::Inherited);
        self.import(&item.tree, &[], hands_on);
    }

    fn visit_item_extern_crate(&mut self, item: &'ast syn::ItemExternCrate) {
        let line = item.ident.span().start().line;
        self.write(vec![item.ident.to_string()], line, true, false);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let segments = path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.name(segments, path.span().start().line);
        visit::visit_path(self, path);
    }

    fn visit_expr_call(&mut self, call: &'ast syn::ExprCall) {
        if let syn::Expr::Path(called) = &*call.func
            && let Some(name) = called.path.get_ident()
        {
            self.write(
                vec![name.to_string()],
                name.span().start().line,
                false,
                false,
            );
        }
        visit::visit_expr_call(self, call);
    }

    fn visit_macro(&mut self, call: &'ast syn::Macro) {
        let mut segments: Segments = call
            .path
            .segments
            .iter()
            .map(|s| s.ident.to_string())
            .collect();
        if let Some(last) = segments.last_mut() {
            last.push('!');
        }
        self.write(segments, call.path.span().start().line, false, false);
        self.tokens(call.tokens.clone());
    }

    fn visit_attribute(&mut self, attribute: &'ast Attribute) {
        let lints = [
            "allow", "expect", "warn", "deny", "forbid", "doc", "cfg", "path",
        ];
        if lints.iter().any(|name| attribute.path().is_ident(name)) {
            return;
        }
        match &attribute.meta {
            Meta::List(list) => self.tokens(list.tokens.clone()),
            Meta::Path(path) => self.visit_path(path),
            Meta::NameValue(_) => {}
        }
    }
}
