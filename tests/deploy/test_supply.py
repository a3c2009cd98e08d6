"""Where the libraries come from: each locked by hash, listed with its licence, and nothing else installed."""

import hashlib
import json
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
NOTICE = (DEPLOY / "NOTICE").read_text(encoding="utf-8")
BOM = json.loads((DEPLOY / "supply" / "bom.json").read_text(encoding="utf-8"))
VENDORED = tomllib.loads((DEPLOY / "supply" / "vendored.toml").read_text(encoding="utf-8"))["files"]
TESTED = {
    canonicalize_name(name): version
    for name, version in re.findall(
        r"^([\w.-]+)==(\S+)$", (DEPLOY / "tested-versions.txt").read_text("utf-8"), re.MULTILINE
    )
}
EXTRAS = {"run": [], **PROJECT["project"]["optional-dependencies"]}


def locked(name: str) -> dict[str, tuple[str, int]]:
    """Each library of a lock with its version and how many hashes it has."""
    text = (DEPLOY / "locked" / f"{name}.txt").read_text(encoding="utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            pinned = re.match(r"([\w.-]+)(?:\[[\w,]+\])?==([^\s;]+)", line)
            assert pinned, line
            hashes = re.findall(r"--hash=sha256:[0-9a-f]{64}\b", line)
            found[canonicalize_name(pinned[1])] = (pinned[2], len(hashes))
    return found


@pytest.mark.parametrize("extra", [*EXTRAS, "build"])
def test_a_lock_holds_every_library_of_its_extra_in_the_tested_version_with_hashes(extra: str) -> None:
    """`sh deploy/lock-versions.sh` writes it anew."""
    there = locked(extra)
    if extra == "build":
        wanted = ["pip", "editables", *PROJECT["build-system"]["requires"]]
    else:
        wanted = [*PROJECT["project"]["dependencies"], *EXTRAS[extra]]
    assert {canonicalize_name(Requirement(line).name) for line in wanted} - set(there) == set()
    assert {name: one for name, one in there.items() if one[1] == 0} == {}
    assert {name: one[0] for name, one in there.items() if TESTED.get(name) != one[0]} == {}


def test_the_installer_takes_nothing_that_is_not_locked() -> None:
    calls = re.findall(r"^\s+get (.*)$", (DEPLOY / "install.sh").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(calls) == 3
    assert all("--require-hashes" in call or "--no-index --no-deps" in call for call in calls)


def test_the_bill_of_materials_is_what_a_shop_installs() -> None:
    """CycloneDX 1.6, section "components"."""
    assert (BOM["bomFormat"], BOM["specVersion"]) == ("CycloneDX", "1.6")
    listed = {canonicalize_name(one["name"]): one["version"] for one in BOM["components"]}
    there = {name: one[0] for name, one in locked("run").items()}
    assert listed == there | {one["name"]: one["version"] for one in VENDORED}
    assert [one["name"] for one in BOM["components"] if not one["licenses"][0]["expression"]] == []
    refs = [one["bom-ref"] for one in BOM["components"]]
    assert len(refs) == len(set(refs))
    known = {*refs, "root-component"}
    assert {ref for row in BOM["dependencies"] for ref in (row["ref"], *row.get("dependsOn", []))} <= known


def test_the_notice_names_every_library_with_its_licence() -> None:
    missing = [
        one["name"]
        for one in BOM["components"]
        if not re.search(
            rf"^{re.escape(one['name'])} {re.escape(one['version'])} +"
            rf"{re.escape(one['licenses'][0]['expression'])}\b",
            NOTICE,
            re.MULTILINE,
        )
    ]
    assert missing == []
    lesser = [one["name"] for one in BOM["components"] if "LGPL" in one["licenses"][0]["expression"]]
    assert lesser == ["recurring-ical-events", "x-wr-timezone"]
    assert "Under the LGPL" in NOTICE


@pytest.mark.parametrize("row", VENDORED, ids=lambda row: str(row["name"]))
def test_what_was_written_elsewhere_is_what_its_origin_published(row: dict[str, str]) -> None:
    """The hash is that of the named version's file as its registry hands it out."""
    assert hashlib.sha256((ROOT / row["file"]).read_bytes()).hexdigest() == row["sha256"]
    assert (ROOT / row["licence_file"]).exists()


def test_no_other_script_or_style_of_others_lies_among_our_files() -> None:
    small = list((ROOT / "monitor" / "web" / "static").glob("*.min.*"))
    assert [str(file.relative_to(ROOT)) for file in small] == [row["file"] for row in VENDORED]
