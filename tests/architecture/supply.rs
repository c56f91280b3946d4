//! What the crates bring with them: how many there are, and under which licences. (Known
//! faults of theirs are another command's, which asks the internet: DEVELOPERS.md.)

use std::collections::BTreeSet;
use std::process::Command;

use super::{root, text};

/// No more without a strong reason, this one counted.
const MOST_PACKAGES: usize = 115;

fn cargo(args: &[&str]) -> String {
    let out =
        Command::new(env!("CARGO")).args(args).args(["--locked", "--offline"]).current_dir(root()).output();
    let out = out.unwrap();
    assert!(out.status.success(), "cargo {args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

#[test]
fn there_are_no_more_packages_than_the_papers_say() {
    let tree = cargo(&["tree", "--prefix", "none", "-e", "normal,build"]);
    let names: BTreeSet<&str> = tree.lines().filter_map(|line| line.split(' ').next()).collect();
    assert!((50..=MOST_PACKAGES).contains(&names.len()), "{} packages: {names:?}", names.len());
    assert!(
        text("DEVELOPERS.md").contains(&format!("{MOST_PACKAGES} packages in the normal and build tree"))
    );
}

#[test]
fn every_package_has_a_licence_of_the_list() {
    let listed: toml::Table = text("deny.toml").parse().unwrap();
    let allowed: BTreeSet<&str> =
        listed["licenses"]["allow"].as_array().unwrap().iter().filter_map(|word| word.as_str()).collect();
    // Of each pair of alternatives one is taken; what is asked for beside it is asked for too.
    let is_well = |licence: &str| {
        let one =
            |words: &str| words.split(" OR ").any(|one| allowed.contains(one.trim_matches(['(', ')', ' '])));
        licence.replace('/', " OR ").split(" AND ").all(one)
    };
    let here = format!("{}-unknown-linux-gnu", std::env::consts::ARCH);
    let metadata = cargo(&["metadata", "--format-version", "1", "--filter-platform", &here]);
    let metadata: serde_json::Value = serde_json::from_str(&metadata).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let not_listed: Vec<String> = packages
        .iter()
        .filter(|p| !p["source"].is_null() && !p["license"].as_str().is_some_and(is_well))
        .map(|p| format!("{}: {}", p["name"], p["license"]))
        .collect();
    assert!(packages.len() > 100 && not_listed.is_empty(), "{not_listed:?}");
}
