//! The rooms of the code (DEVELOPERS.md): which may import which, and that no files of one room import each
//! other in a circle. The paths in the source are read as text, tests apart.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// Each room with the rooms that it may import.
const ALLOWED: [(&str, &[&str]); 14] = [
    ("trade", &[]),
    ("parse", &["trade"]),
    ("settings", &["trade", "parse"]),
    ("book", &["trade", "parse", "settings"]),
    ("sheets", &["trade", "parse", "settings", "book"]),
    ("select", &["trade", "settings"]),
    ("fit", &["trade", "settings", "select"]),
    ("band", &["trade", "settings", "select", "fit"]),
    ("backtest", &["trade", "settings", "select", "fit", "band"]),
    ("deal", &["trade", "settings"]),
    (
        "app",
        &[
            "trade", "parse", "settings", "book", "sheets", "select", "fit", "band", "backtest",
            "deal",
        ],
    ),
    (
        "render",
        &[
            "trade", "settings", "book", "select", "fit", "band", "backtest", "deal", "app",
        ],
    ),
    ("desk", &["trade", "parse", "settings", "app", "render"]),
    (
        "cli",
        &["trade", "parse", "settings", "app", "render", "desk"],
    ),
];

/// What `app` hands on of other rooms, so that who calls a use case can name it: the handle of a book, what
/// was said of a unit, what a purchase takes, and what an undo and an import give.
const HANDED_ON: [&str; 15] = [
    "Book",
    "Buying",
    "Column",
    "Costs",
    "FileCount",
    "Guessed",
    "LEVEL",
    "Plan",
    "ReadOptions",
    "Refund",
    "Renaming",
    "Description",
    "Undone",
    "Wish",
    "parse_wish",
];

/// Whether an export of a module of `app` is of another room.
fn is_handed_on(module: &Module, import: &Import) -> bool {
    module[0] == "app" && import.public && import.path[0] != "app"
}

/// A module: its path from the root of the crate.
type Module = Vec<String>;

/// The modules of a crate, each with its source.
type Sources = BTreeMap<Module, String>;

fn module(text: &str) -> Module {
    text.split("::").map(String::from).collect()
}

/// The source without what is not compiled into the crate: comments, strings and the tests.
fn code(source: &str) -> String {
    let mut kept = String::new();
    let mut in_tests = false;
    let mut tests_next = false;
    for line in source.lines() {
        if line == "#[cfg(test)]" {
            tests_next = true;
        } else if tests_next {
            in_tests = !line.ends_with(';');
            tests_next = false;
        } else if in_tests {
            in_tests = line != "}";
        } else {
            kept.push_str(without_strings(line.split("//").next().unwrap_or_default()).as_str());
            kept.push('\n');
        }
    }
    kept
}

fn without_strings(line: &str) -> String {
    let parts = line.split('"').enumerate();
    parts
        .map(|(at, part)| if at % 2 == 0 { part } else { "\"\"" })
        .collect()
}

/// The paths of a tree of `use`, `a::{b, c::d}`, each with the name that it gives.
fn paths(tree: &str, before: &[String]) -> Vec<(Module, String)> {
    let tree = tree.trim();
    let Some((head, inner)) = tree.split_once('{') else {
        let (path, name) = tree.split_once(" as ").unwrap_or((tree, ""));
        let mut path: Module = before.iter().cloned().chain(module(path.trim())).collect();
        if path.last().is_some_and(|last| last == "self") && path.len() > 1 {
            path.pop();
        }
        let last = path.last().cloned().unwrap_or_default();
        let name = if name.is_empty() {
            last
        } else {
            name.trim().into()
        };
        return vec![(path, name)];
    };
    let head = head.trim().trim_end_matches("::");
    let before: Module = before
        .iter()
        .cloned()
        .chain(
            (!head.is_empty())
                .then(|| module(head))
                .into_iter()
                .flatten(),
        )
        .collect();
    let inner = inner.strip_suffix('}').unwrap_or(inner);
    let mut depth = 0;
    let parts = inner.split(|c| {
        depth += i32::from(c == '{') - i32::from(c == '}');
        c == ',' && depth == 0
    });
    parts
        .filter(|part| !part.trim().is_empty())
        .flat_map(|part| paths(part, &before))
        .collect()
}

/// One import: the path from the root, the name that it gives, and whether it is exported again.
struct Import {
    path: Module,
    name: String,
    public: bool,
}

/// The imports of a module and the other paths in it that begin with `crate`, `super` or `self`.
fn imports(here: &Module, source: &str, sources: &Sources) -> Vec<Import> {
    let text = code(source);
    let mut found = Vec::new();
    let mut rest = String::new();
    for statement in text.split_inclusive(';') {
        let start = statement
            .match_indices("use ")
            .find(|(at, _)| {
                let before = &statement[..*at];
                before.is_empty() || before.ends_with(['\n', ' ', '{'])
            })
            .map(|(at, _)| at);
        match start {
            Some(at) if !statement[at..].contains('(') => {
                let line = statement[..at].rsplit('\n').next().unwrap_or_default();
                let public = line.trim_start().starts_with("pub");
                rest.push_str(&statement[..at]);
                let tree = statement[at + 4..]
                    .trim_end_matches(';')
                    .replace(['\n', '\r'], " ");
                for (path, name) in paths(&tree, &[]) {
                    if let Some(path) = absolute(&path, here, sources) {
                        found.push(Import { path, name, public });
                    }
                }
            }
            _ => rest.push_str(statement),
        }
    }
    for word in rest.split(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':')) {
        let path = module(word);
        let rooted = ["crate", "super", "self"].contains(&path[0].as_str());
        let child = path.len() > 1 && is_child(here, &path[0], sources);
        if path.len() > 1
            && (rooted || child)
            && let Some(path) = absolute(&path, here, sources)
        {
            let name = String::new();
            let public = false;
            found.push(Import { path, name, public });
        }
    }
    found
}

fn is_child(here: &Module, name: &str, sources: &Sources) -> bool {
    let mut child = here.clone();
    child.push(name.to_string());
    sources.contains_key(&child)
}

/// A path from the root of the crate; none where it leads out of it.
fn absolute(path: &Module, here: &Module, sources: &Sources) -> Option<Module> {
    match path[0].as_str() {
        "crate" => Some(path[1..].to_vec()),
        "self" | "super" => {
            let mut base = here.clone();
            let mut at = 0;
            while path
                .get(at)
                .is_some_and(|part| part == "super" || part == "self")
            {
                if path[at] == "super" {
                    base.pop();
                }
                at += 1;
            }
            base.extend_from_slice(&path[at..]);
            Some(base)
        }
        first if is_child(here, first, sources) => Some(here.iter().chain(path).cloned().collect()),
        _ => None,
    }
}

/// The module whose file holds what a path names, names that are exported again followed to where
/// they come from.
fn holder(path: &Module, exported: &BTreeMap<Module, Module>, sources: &Sources) -> Option<Module> {
    let mut path = path.clone();
    for _ in 0..8 {
        let known = (1..=path.len()).rev().find_map(|n| {
            let from = exported.get(&path[..n])?;
            Some(from.iter().chain(&path[n..]).cloned().collect::<Module>())
        });
        match known {
            Some(next) if next != path => path = next,
            _ => break,
        }
    }
    (1..=path.len())
        .rev()
        .map(|n| path[..n].to_vec())
        .find(|module| sources.contains_key(module))
}

/// Which module imports which; a module that only exports what its own children hold imports nothing of
/// them.
fn graph(sources: &Sources) -> BTreeMap<Module, BTreeSet<Module>> {
    let all: BTreeMap<&Module, Vec<Import>> = sources
        .iter()
        .map(|(module, source)| (module, imports(module, source, sources)))
        .collect();
    let mut exported = BTreeMap::new();
    for (module, imports) in &all {
        let public = imports.iter().filter(|import| import.public);
        for import in public.filter(|import| !is_handed_on(module, import)) {
            let mut name = (*module).clone();
            name.push(import.name.clone());
            exported.insert(name, import.path.clone());
        }
    }
    let mut graph = BTreeMap::new();
    for (module, imports) in all {
        let targets: BTreeSet<Module> = imports
            .iter()
            .filter_map(|import| {
                let target = holder(&import.path, &exported, sources)?;
                let own = import.public && target.starts_with(module);
                (target != *module && !own).then_some(target)
            })
            .collect();
        graph.insert(module.clone(), targets);
    }
    graph
}

/// What is wrong with the rooms of a crate: imports that are not allowed, and circles.
fn faults(sources: &Sources) -> Vec<String> {
    let graph = graph(sources);
    let mut faults = Vec::new();
    for (module, targets) in &graph {
        let room = &module[0];
        let Some((_, allowed)) = ALLOWED.iter().find(|(name, _)| name == room) else {
            faults.push(format!("{room}: no room of the table"));
            continue;
        };
        for target in targets.iter().filter(|target| target[0] != *room) {
            if !allowed.contains(&target[0].as_str()) {
                faults.push(format!(
                    "{} imports {}",
                    module.join("::"),
                    target.join("::")
                ));
            }
        }
    }
    for (module, source) in sources {
        let imports = imports(module, source, sources).into_iter();
        let handed_on = imports.filter(|import| is_handed_on(module, import));
        let unknown = handed_on.filter(|import| !HANDED_ON.contains(&import.name.as_str()));
        faults.extend(
            unknown.map(|import| format!("{} hands on {}", module.join("::"), import.name)),
        );
    }
    faults.extend(circles(&graph));
    faults
}

/// Circles of files: modules from which a way of imports leads back to them, apart from those whose
/// circle is named already.
fn circles(graph: &BTreeMap<Module, BTreeSet<Module>>) -> Vec<String> {
    let reach = |from: &Module| {
        let mut reached = BTreeSet::new();
        let mut left: Vec<&Module> = graph[from].iter().collect();
        while let Some(module) = left.pop() {
            if reached.insert(module) {
                left.extend(&graph[module]);
            }
        }
        reached
    };
    let reached: BTreeMap<&Module, BTreeSet<&Module>> =
        graph.keys().map(|module| (module, reach(module))).collect();
    let mut circles = BTreeSet::new();
    for (module, far) in &reached {
        if far.contains(module) {
            let circle: Vec<String> = far
                .iter()
                .filter(|other| reached[**other].contains(module))
                .map(|other| other.join("::"))
                .collect();
            circles.insert(format!("a circle: {}", circle.join(", ")));
        }
    }
    circles.into_iter().collect()
}

/// The sources under a folder, but those of tests in files of their own.
fn sources(root: &Path) -> Sources {
    let mut found = Sources::new();
    let mut left = vec![root.to_path_buf()];
    while let Some(folder) = left.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                left.push(path);
                continue;
            }
            let within = path.strip_prefix(root).unwrap().with_extension("");
            let mut module: Module = within
                .iter()
                .map(|part| part.to_str().unwrap().to_string())
                .collect();
            let last = module.last().cloned().unwrap_or_default();
            let wanted = path.extension().is_some_and(|end| end == "rs")
                && !(["tests", "lib", "main"].contains(&last.as_str()));
            if wanted {
                if last == "mod" {
                    module.pop();
                }
                found.insert(module, fs::read_to_string(path).unwrap());
            }
        }
    }
    found
}

#[test]
fn rooms_import_only_what_they_may() {
    let sources = sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    assert!(sources.len() > 100, "{}", sources.len());
    let edges: usize = graph(&sources).values().map(BTreeSet::len).sum();
    assert!(edges > 300, "only {edges} imports were seen");
    let faults = faults(&sources);
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn the_command_line_names_no_table_library() {
    let sources = sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    let of_cli = sources.iter().filter(|(module, _)| module[0] == "cli");
    let naming = of_cli.filter(|(_, source)| code(source).contains("polars"));
    let naming: Vec<String> = naming.map(|(module, _)| module.join("::")).collect();
    assert_eq!(naming, [""; 0]);
}

/// Made-up sources: a module and what its file says, line by line.
fn planted(files: &[(&str, &str)]) -> Vec<String> {
    let sources = files
        .iter()
        .map(|(name, source)| (module(name), (*source).to_string()))
        .collect();
    faults(&sources)
}

#[test]
fn a_planted_import_against_the_direction_is_found() {
    let wrong = "trade::comp imports cli";
    for source in [
        "use crate::cli::CliError;",
        "use std::fmt;\n\npub use crate::{cli::CliError as Other};\n",
        "fn f() {\n    crate::cli::say()\n}\n",
        "fn f() -> super::super::cli::CliError {}\n",
        "use crate::{\n    trade::Items,\n    cli::{CliError, say},\n};\n",
    ] {
        let files = [
            ("trade", "pub mod comp;"),
            ("trade::comp", source),
            ("cli", ""),
        ];
        assert_eq!(planted(&files), [wrong], "{source}");
    }
    // What is exported again is where it comes from.
    let files = [
        ("trade", "pub use crate::book::store::Book;"),
        ("book::store", ""),
        ("trade::comp", "use super::Book;"),
    ];
    let found = [
        "trade imports book::store",
        "trade::comp imports book::store",
    ];
    assert_eq!(planted(&files), found);
}

#[test]
fn app_hands_on_what_is_named_and_nothing_else() {
    let files = [
        ("book", "pub struct Book;\npub struct Store;\n"),
        ("app", "pub use crate::book::{Book, Store};\n"),
        ("cli", "use crate::app::Book;\n"),
    ];
    assert_eq!(planted(&files), ["app hands on Store"]);
    let whole = [
        ("book", ""),
        ("app", "pub use crate::book;\n"),
        ("cli", "use crate::app::book::Store;\n"),
    ];
    assert_eq!(planted(&whole), ["app hands on book"]);
    let direct = [("book", ""), ("cli", "use crate::book::Book;\n")];
    assert_eq!(planted(&direct), ["cli imports book"]);
}

#[test]
fn a_planted_circle_is_found() {
    let circle = |found: &[&str]| vec![format!("a circle: {}", found.join(", "))];
    let two = [
        ("fit::a", "use super::b::B;"),
        ("fit::b", "use super::a::A;"),
    ];
    assert_eq!(planted(&two), circle(&["fit::a", "fit::b"]));
    let three = [
        (
            "fit",
            "pub mod a;\npub use a::A;\nfn f() {\n    c::run()\n}\n",
        ),
        ("fit::a", "use super::b;"),
        ("fit::b", "use crate::fit::c::C;"),
        ("fit::c", "use crate::fit::A;\nuse crate::select::S;"),
        ("select", "pub struct S;"),
    ];
    assert_eq!(planted(&three), circle(&["fit::a", "fit::b", "fit::c"]));
    let parent = [
        ("fit", "fn f() {\n    a::run()\n}\n"),
        ("fit::a", "use super::f;"),
    ];
    assert_eq!(planted(&parent), circle(&["fit", "fit::a"]));
}

#[test]
fn what_is_allowed_is_no_fault() {
    let files = [
        ("fit", "pub mod a;\npub mod b;\npub use a::A;"),
        ("fit::a", "use crate::select::S;\nuse super::b::B;\n"),
        (
            "fit::b",
            "/// See [`crate::cli`].\nconst A: &str = \"crate::cli\"; // crate::cli\n\
             #[cfg(test)]\nmod tests {\n    use super::super::a::A;\n    use crate::cli::X;\n}\n",
        ),
        ("select", "use crate::settings::{self, Settings};"),
        ("settings", ""),
        ("cli", "use crate::settings::A;"),
    ];
    assert_eq!(planted(&files), [""; 0]);
}
