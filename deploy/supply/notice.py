"""Writes the bill of materials and deploy/NOTICE from what a tool read of an installed shop.

Usage: notice.py BOM-OF-THE-INSTALLED-SHOP. Run by deploy/lock-versions.sh.
"""

import json
import sys
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
INSTALLERS = {"pip", "setuptools"}
OWN_WORDS = {  # classifiers, where a library writes no SPDX expression
    "License :: OSI Approved :: BSD License": "BSD-3-Clause",
    "License :: OSI Approved :: Apache Software License": "Apache-2.0",
    "License :: OSI Approved :: Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}
HEAD = """Dryshift
Apache License 2.0 (LICENSE)

A shop that runs Dryshift runs these libraries too. Each is under its own licence, whose text lies beside it.
Written by deploy/lock-versions.sh from what was installed; deploy/supply/bom.json says the same for programs
(CycloneDX).

"""
TAIL = """
Under the LGPL, and so to be exchanged for a changed version by whoever runs Dryshift:
  {lesser}
They are plain Python beside the others in the site-packages folder of the installation; "pip install" there
puts another version in their place. Under the MPL, and used as they come:
  {files}

The record of a week is set by typst (Apache-2.0) where the extra "paper" is installed, the ledger kept in
PostgreSQL by psycopg (LGPL-3.0-only) where the extra "postgresql" is.

Written elsewhere and kept in this project's own folders:
"""


def licences(component: dict[str, Any]) -> str:
    """The licence as an SPDX expression where one is written, else in the library's words."""
    found = []
    for one in component.get("licenses", []):
        said = one.get("expression") or one["license"].get("id") or one["license"].get("name")
        said = OWN_WORDS.get(said, said)
        if said not in found:
            found.append(said)
    return " OR ".join(found)


def clean(component: dict[str, Any]) -> dict[str, Any]:
    """Only what says what it is; addresses change without the library."""
    told = ("type", "bom-ref", "name", "version", "purl", "description")  # the last not by every library
    kept = {name: component[name] for name in told if name in component}
    return kept | {"licenses": [{"expression": licences(component)}]}


def own(row: dict[str, str]) -> dict[str, Any]:
    """A file of ours that was written elsewhere."""
    return {
        "type": "library",
        "bom-ref": f"{row['name']}=={row['version']}",
        "name": row["name"],
        "version": row["version"],
        "purl": row["purl"],
        "hashes": [{"alg": "SHA-256", "content": row["sha256"]}],
        "licenses": [{"expression": row["licence"]}],
        "properties": [{"name": "dryshift:file", "value": row["file"]}],
    }


def main() -> None:
    """Read, write both."""
    bom = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    vendored = tomllib.loads((HERE / "vendored.toml").read_text(encoding="utf-8"))["files"]
    bought = [clean(one) for one in bom["components"] if one["name"] not in INSTALLERS]
    bought.sort(key=lambda one: one["name"].lower())
    known = {one["bom-ref"] for one in bought} | {"root-component"}
    bom["components"] = [*bought, *map(own, vendored)]
    bom["dependencies"] = [one for one in bom["dependencies"] if one["ref"] in known]
    bom["metadata"]["tools"] = {
        "components": [
            {"type": "application", "name": one["name"], "version": one["version"]}
            for one in bom["metadata"]["tools"]["components"]
        ]
    }
    text = json.dumps(bom, indent=1, sort_keys=True) + "\n"
    (HERE / "bom.json").write_text(text, encoding="utf-8")

    rows = [(f"{one['name']} {one['version']}", one["licenses"][0]["expression"]) for one in bought]
    wide = max(len(name) for name, _ in rows)
    table = "".join(f"{name:{wide}}  {licence}\n" for name, licence in rows)

    def under(sign: str) -> str:
        return ", ".join(name for name, licence in rows if sign in licence)

    files = "".join(
        f"{row['name']} {row['version']}  {row['licence']}  {row['origin']}\n  {row['file']}\n"
        f"  sha256 {row['sha256']}\n"
        for row in vendored
    )
    notice = HEAD + table + TAIL.format(lesser=under("LGPL"), files=under("MPL")) + files
    (HERE.parent / "NOTICE").write_text(notice, encoding="utf-8")


if __name__ == "__main__":
    main()
