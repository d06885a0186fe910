#!/usr/bin/env python3
"""A report as a strict HTML5 parser (html5lib) reads it. Prints one JSON object; any error of the HTML ends it.

usage: read_report.py FILE"""

import json
import sys

import html5lib

NS = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


def text(element):
    return " ".join("".join(element.itertext()).split())


def main():
    with open(sys.argv[1], "rb") as file:
        page = html5lib.HTMLParser(strict=True).parse(file, transport_encoding="utf-8")
    ids = [element.get("id") for element in page.iter() if element.get("id")]
    fleet = [table for section in page.iter(f"{NS}section") if section.get("class") == "fleet"
             for table in section.iter(f"{NS}table")]
    rows = [[text(cell) for cell in line if isinstance(cell.tag, str)] for table in fleet for line in table.iter(f"{NS}tr")]
    pictures = [svg for svg in page.iter(f"{SVG}svg") if svg.get("aria-hidden") != "true"]
    print(json.dumps({
        "lang": page.get("lang"),
        "h1": [text(h1) for h1 in page.iter(f"{NS}h1")],
        "h2": [text(h2) for h2 in page.iter(f"{NS}h2")],
        "findings": [text(item) for list_ in page.iter(f"{NS}ul") if list_.get("class") == "findings" for item in list_],
        "head": rows[0] if rows else [],
        "rows": rows[1:],
        "jobs": [text(item) for section in page.iter(f"{NS}section") if section.get("class") == "jobs"
                 for list_ in section.iter(f"{NS}ol") for item in list_],
        "pages": [s.get("id") for s in page.iter(f"{NS}section") if s.get("class") == "bank"],
        "links": [a.get("href") for a in page.iter(f"{NS}a")],
        "ids": ids,
        "has_scopes": all(th.get("scope") for th in page.iter(f"{NS}th")),
        "pictures": len(pictures),
        "described": sum(svg.get("role") == "img" and svg.find(f"{SVG}title") is not None
                         and svg.find(f"{SVG}desc") is not None for svg in pictures),
        "scripts": len(list(page.iter(f"{NS}script"))),
    }))


if __name__ == "__main__":
    main()
