//! The plan of the house: the table "may use" of DEVELOPERS.md is true, and no room is as pure as it
//! says that reaches the world through another one.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use syn::visit::{self, Visit};

use super::purity::{breaches, sources};

/// A line of the table.
#[derive(Debug, Default)]
struct Room {
    name: String,
    /// Paths under `src/`; the longest that fits a file says whose it is.
    paths: Vec<String>,
    /// Its sources name nothing of the world.
    calm: bool,
    /// Nor do the rooms that it uses.
    pure: bool,
    may_use: Vec<String>,
}

fn rooms(developers: &str) -> Vec<Room> {
    let lines = developers
        .lines()
        .skip_while(|line| !line.starts_with("| room |"));
    let table = lines.skip(2).take_while(|line| line.starts_with('|'));
    let room = |line: &str| {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [paths, what, may_use] = cells[..] else {
            panic!("DEVELOPERS.md: not three cells: {line}");
        };
        let paths: Vec<String> = paths
            .split(", ")
            .map(|path| path.trim_matches('`').to_owned())
            .collect();
        let name = paths[0]
            .trim_end_matches('/')
            .trim_end_matches(".rs")
            .to_owned();
        let list = |cell: &str| match cell {
            "nothing" => Vec::new(),
            cell => cell.split(", ").map(str::to_owned).collect(),
        };
        Room {
            name,
            paths,
            calm: what.starts_with("pure: ") || what.starts_with("by itself pure: "),
            pure: what.starts_with("pure: "),
            may_use: list(may_use),
        }
    };
    table.map(room).collect()
}

/// The room of a path under `src/`, `None` for one that the table forgets.
fn room_of<'r>(rooms: &'r [Room], path: &str) -> Option<&'r Room> {
    let fit = |own: &str| match own.strip_suffix('/') {
        Some(folder) => path == format!("{folder}.rs") || path.starts_with(own),
        None => path == own,
    };
    let longest = |room: &Room| {
        room.paths
            .iter()
            .filter(|own| fit(own))
            .map(String::len)
            .max()
    };
    rooms
        .iter()
        .filter_map(|room| Some((longest(room)?, room)))
        .max_by_key(|(length, _)| *length)
        .map(|(_, room)| room)
}

/// Every `crate::` path that a source names outside its tests.
#[derive(Default)]
struct Paths(BTreeSet<Vec<String>>);

fn only_in_tests(attributes: &[syn::Attribute]) -> bool {
    let is = |attribute: &syn::Attribute| match &attribute.meta {
        syn::Meta::List(list) => list.path.is_ident("cfg") && list.tokens.to_string() == "test",
        _ => false,
    };
    attributes.iter().any(is)
}

impl Paths {
    fn tree(&mut self, before: &[String], tree: &syn::UseTree) {
        let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
        match tree {
            syn::UseTree::Path(path) => self.tree(&with(&path.ident), &path.tree),
            syn::UseTree::Name(name) => self.take(with(&name.ident)),
            syn::UseTree::Rename(name) => self.take(with(&name.ident)),
            syn::UseTree::Glob(_) => self.take(before.to_vec()),
            syn::UseTree::Group(group) => {
                group.items.iter().for_each(|tree| self.tree(before, tree))
            }
        }
    }

    fn take(&mut self, path: Vec<String>) {
        if path.first().is_some_and(|first| first == "crate") {
            self.0.insert(path);
        }
    }
}

impl<'ast> Visit<'ast> for Paths {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !only_in_tests(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        if !only_in_tests(&item.attrs) {
            self.tree(&[], &item.tree);
        }
    }

    /// Who may see an item is no use of it.
    fn visit_visibility(&mut self, _: &'ast syn::Visibility) {}

    fn visit_path(&mut self, path: &'ast syn::Path) {
        self.take(
            path.segments
                .iter()
                .map(|segment| segment.ident.to_string())
                .collect(),
        );
        visit::visit_path(self, path);
    }

    fn visit_macro(&mut self, mac: &'ast syn::Macro) {
        // What a macro makes of its words is not known; a path in them counts as one.
        let words = mac.tokens.to_string().replace(' ', "");
        for (at, _) in words.match_indices("crate::") {
            let path: String = words[at..]
                .chars()
                .take_while(|c| c.is_alphanumeric() || "_:".contains(*c))
                .collect();
            self.take(path.split("::").map(str::to_owned).collect());
        }
    }
}

/// The `crate::` paths of a source, as paths under `src/` that hold them.
fn uses(text: &str) -> BTreeSet<String> {
    let file = syn::parse_file(text).unwrap_or_else(|e| panic!("{e}"));
    let mut paths = Paths::default();
    paths.visit_file(&file);
    let module = |path: &Vec<String>| {
        let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut at = String::new();
        for part in path.iter().skip(1) {
            let next = if at.is_empty() {
                part.clone()
            } else {
                format!("{at}/{part}")
            };
            if !src.join(&next).is_dir() && !src.join(format!("{next}.rs")).is_file() {
                break;
            }
            at = next;
        }
        match src.join(&at).is_dir() {
            true => format!("{at}/mod.rs"),
            false => format!("{at}.rs"),
        }
    };
    paths
        .0
        .iter()
        .map(module)
        .filter(|path| path != "/mod.rs")
        .collect()
}

fn house() -> (Vec<Room>, Vec<(String, String)>) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let rooms = rooms(&std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap());
    let mut files = Vec::new();
    sources(&root.join("src"), &mut files);
    let src = root.join("src");
    let named = files.into_iter().filter_map(|file| {
        let path = file
            .strip_prefix(&src)
            .unwrap()
            .to_str()
            .unwrap()
            .to_owned();
        let in_tests = path.contains("/tests/") || path.ends_with("/tests.rs");
        (!in_tests).then(|| (path, std::fs::read_to_string(file).unwrap()))
    });
    (rooms, named.collect())
}

#[test]
fn every_room_uses_what_the_table_allows_and_nothing_else() {
    let (rooms, files) = house();
    assert!(
        rooms.len() > 15 && files.len() > 200,
        "{} rooms, {} files",
        rooms.len(),
        files.len()
    );
    let mut said = BTreeSet::new();
    let mut used: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (path, text) in &files {
        let Some(room) = room_of(&rooms, path) else {
            said.insert(format!("src/{path}: in no room of the table"));
            continue;
        };
        for target in uses(text) {
            let Some(other) = room_of(&rooms, &target) else {
                said.insert(format!("src/{path} uses src/{target}, which is in no room"));
                continue;
            };
            if other.name == room.name || target == "lib.rs" {
                continue;
            }
            used.entry(&room.name).or_default().insert(&other.name);
            if !room.may_use.contains(&other.name) {
                said.insert(format!(
                    "src/{path}: {} uses {} (src/{target})",
                    room.name, other.name
                ));
            }
        }
    }
    for room in &rooms {
        for allowed in &room.may_use {
            if !used
                .get(room.name.as_str())
                .is_some_and(|used| used.contains(allowed.as_str()))
            {
                said.insert(format!(
                    "{} may use {allowed} by the table, and does not",
                    room.name
                ));
            }
        }
    }
    let said: Vec<String> = said.into_iter().collect();
    assert!(said.is_empty(), "\n{}", said.join("\n"));
}

#[test]
fn no_room_reaches_itself_through_others() {
    let (rooms, _) = house();
    let mut graph = petgraph::graphmap::DiGraphMap::<&str, ()>::new();
    for room in &rooms {
        for other in &room.may_use {
            graph.add_edge(&room.name, other, ());
        }
    }
    let circles: Vec<_> = petgraph::algo::tarjan_scc(&graph)
        .into_iter()
        .filter(|c| c.len() > 1)
        .collect();
    assert!(circles.is_empty(), "{circles:?}");
}

#[test]
fn a_pure_room_names_nothing_of_the_world_and_uses_pure_rooms_only() {
    let (rooms, files) = house();
    let mut said = String::new();
    for room in rooms.iter().filter(|room| room.pure) {
        for other in &room.may_use {
            let pure = rooms.iter().any(|room| room.name == *other && room.pure);
            if !pure {
                said.push_str(&format!(
                    "{} is pure and uses {other}, which is not\n",
                    room.name
                ));
            }
        }
    }
    for (path, text) in &files {
        if room_of(&rooms, path).is_none_or(|room| !room.calm) {
            continue;
        }
        for (line, name, why) in breaches(text) {
            said.push_str(&format!("src/{path}:{line}: names {name}; {why}\n"));
        }
    }
    assert!(rooms.iter().filter(|room| room.pure).count() > 10);
    assert!(said.is_empty(), "{said}");
}

#[test]
fn the_check_itself_sees_a_breach() {
    let text = "// tokio in a comment\nuse std::fs::File;\nlet t = Instant::now();\n";
    let lines: Vec<usize> = breaches(text)
        .into_iter()
        .map(|(line, _, _)| line)
        .collect();
    assert_eq!(lines, [2, 3]);
    let text = "use crate::{mass::Mass, scale::{decode, frame::Start as S}};\n\
        fn f() { crate::bench::Bench::new(); vec![crate::text::misleads('x')]; }\n\
        #[cfg(test)]\nmod tests { use crate::cli::Exit; }\n";
    let seen: Vec<String> = uses(text).into_iter().collect();
    assert_eq!(
        seen,
        [
            "bench.rs",
            "mass.rs",
            "scale/decode.rs",
            "scale/frame.rs",
            "text/mod.rs"
        ]
    );
    let table = "| room | what | may use |\n| --- | --- | --- |\n| `scale/` | pure: lines | mass |\n\
        | `scale/link.rs`, `scale/ports.rs` | ports | scale, mass |\n| `mass.rs` | pure: masses | nothing |\n";
    let rooms = rooms(table);
    let of = |path: &str| room_of(&rooms, path).map(|room| room.name.as_str());
    assert_eq!(of("scale/ports.rs"), Some("scale/link"));
    assert_eq!(of("scale/layout/mod.rs"), Some("scale"));
    assert_eq!(of("mass.rs"), Some("mass"));
    assert_eq!(of("cue/mod.rs"), None);
}
