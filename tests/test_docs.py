"""What README.md and DEVELOPERS.md name is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.core.management import get_commands

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
DOCS = [path.name for path in ROOT.glob("*.md")]


@pytest.mark.parametrize("name", DOCS)
def test_make_targets_that_are_named_exist(name):
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.M))
    named = set(re.findall(r"(?:^|`)make ([a-z]+)", (ROOT / name).read_text(), re.M))
    assert named, f"{name} names no make target"
    assert named <= targets


def test_commands_that_are_named_exist_and_none_is_left_out():
    ours = {name for name, app in get_commands().items() if app in {"specimens", "comparisons"}}
    named = set(re.findall(r"manage\.py ([a-z_]+)", README))
    assert ours == named & ours, f"README.md does not name {sorted(ours - named)}"
    assert named <= set(get_commands()), f"no such command: {sorted(named - set(get_commands()))}"


def test_every_setting_is_in_the_table():
    read = set()
    for path in (ROOT / "config").glob("*.py"):
        read |= set(re.findall(r"(?:env|FileAwareEnv\(\))\.\w+\(\s*\"([A-Z_]+)\"", path.read_text()))
    listed = set(re.findall(r"^\| `([A-Z_]+)` \|", README, re.M))
    assert read == listed


@pytest.mark.parametrize("name", DOCS)
def test_paths_that_are_named_exist(name):
    text = (ROOT / name).read_text()
    named = set(re.findall(r"`((?:config|specimens|comparisons|templates|fixtures|tests|docs)/[\w./-]*)`", text))
    named |= set(re.findall(r"\]\((docs/[\w./-]+)\)", text))
    assert named, f"{name} names no path"
    missing = sorted(path for path in named if not (ROOT / path).exists())
    assert not missing, f"{name} names what is not there: {missing}"
