"""Checks every file of a folder against its SHA256SUMS with Python's own SHA-256: nothing wrong, nothing left out."""

import hashlib
import pathlib
import sys

folder = pathlib.Path(sys.argv[1])
listed = {}
for line in (folder / "SHA256SUMS").read_text().splitlines():
    digest, name = line.split("  ", 1)
    assert name not in listed, f"{name} is listed twice"
    listed[name] = digest
there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
assert there - {"SHA256SUMS"} == set(listed), there ^ set(listed)
for name, digest in listed.items():
    with open(folder / name, "rb") as file:
        assert hashlib.file_digest(file, "sha256").hexdigest() == digest, name
print(len(listed))
