#!/usr/bin/env python3
"""Checks pages for parse errors by the HTML standard's own algorithm (html5lib,
strict), for one h1, table heads with a scope, and a reading order that needs
no sight: html_is_valid.py PAGE..."""
import sys

import html5lib


def faults(path):
    with open(path, "rb") as page:
        parser = html5lib.HTMLParser(strict=False)
        tree = parser.parse(page, transport_encoding="utf-8")
    found = [f"{code} at line {at[0]}, column {at[1]}" for at, code, _ in parser.errors]
    ns = "{http://www.w3.org/1999/xhtml}"
    svg = "{http://www.w3.org/2000/svg}"
    html = tree if tree.tag == ns + "html" else tree.getroot()
    if html.get("lang") is None:
        found.append("no language is said")
    if len(html.findall(f".//{ns}h1")) != 1:
        found.append("not exactly one h1")
    ids = [e.get("id") for e in html.iter() if e.get("id")]
    found += [f"id {i} stands twice" for i in set(ids) if ids.count(i) > 1]
    for picture in html.iter(svg + "svg"):
        named = picture.get("aria-labelledby", "").split()
        if not (picture.get("aria-label") or (named and all(n in ids for n in named))):
            found.append("a picture without words")
    for head in html.iter(ns + "th"):
        if head.get("scope") not in ("col", "row"):
            found.append("a table head without scope")
    for table in html.iter(ns + "table"):
        if table.find(f"{ns}caption") is None:
            found.append("a table without caption")
    return found


def main(paths):
    bad = 0
    for path in paths:
        found = faults(path)
        bad += bool(found)
        for fault in found:
            print(f"{path}: {fault}", file=sys.stderr)
    print(f"{len(paths) - bad} passed, {bad} failed")
    return 1 if bad or not paths else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
