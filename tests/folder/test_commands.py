"""import_study and export_study as they are typed."""

from __future__ import annotations

import subprocess
import sys
from io import StringIO
from pathlib import Path

import pytest

from comparisons.folder.read import read_study
from comparisons.folder.tables import differences
from comparisons.management.commands import export_study, import_study
from comparisons.models import Comparison

from . import rich
from .test_read import swap

ROOT = Path(__file__).parents[2]


@pytest.fixture
def run(db, monkeypatch, capsys):
    """Run a command as from the command line: (exit status, standard output, standard error)."""
    monkeypatch.setattr("comparisons.management.base.connections.close_all", lambda: None)

    def run(module, *arguments):
        command = module.Command(stdout=StringIO(), stderr=StringIO(), no_color=True)
        status = 0
        try:
            command.run_from_argv(["manage.py", module.__name__.rpartition(".")[2], *map(str, arguments)])
        except SystemExit as end:
            status = end.code
        told = capsys.readouterr()
        return status, command.stdout._out.getvalue() + told.out, command.stderr._out.getvalue() + told.err

    return run


def test_in_and_out_again(run, tmp_path):
    status, out, err = run(import_study, rich.write(tmp_path / "study"))
    assert (status, err) == (0, "")
    assert out == "hose-clamps: imported 2 products, 6 trials, 5 claims, 10 readings\n"
    for target in (tmp_path / "out", tmp_path / "out.zip"):
        status, out, err = run(export_study, "hose-clamps", target)
        assert (status, out, err) == (0, f"hose-clamps: written to {target}\n", "")
        assert differences(read_study(target), read_study(tmp_path / "study")) == []


def test_the_public_form(run, tmp_path):
    run(import_study, rich.write(tmp_path / "study"))
    assert run(export_study, "hose-clamps", tmp_path / "public.zip", "--public")[0] == 0
    public = read_study(tmp_path / "public.zip")
    assert set(public["readings"]["operator"]) == {"person-1", "person-3"}
    assert set(public["purchases"]["receipt"]) == {""}


def test_the_same_again_is_already_here(run, tmp_path):
    path = rich.write(tmp_path / "study")
    run(import_study, path)
    assert run(import_study, path) == (0, "hose-clamps: already here, with the same content\n", "")


def test_another_name(run, tmp_path):
    run(import_study, rich.write(tmp_path / "study"))
    changed = rich.write(tmp_path / "other", swap("readings.csv", "1700.50", "1700.51"))
    status, out, err = run(import_study, changed)
    assert status == 1 and out == ""
    assert "--as NEW-SLUG" in err and err.endswith("nothing was imported\n")
    assert run(import_study, changed, "--as", "second")[0] == 0
    assert Comparison.objects.filter(slug="second").exists()


def test_faults_are_lines_on_standard_error_and_nothing_is_written(run, tmp_path):
    spoilt = swap("readings.csv", "1700.50", '"1700,50"') | swap("claims.csv", "-10,10", "10,-10")
    status, out, err = run(import_study, rich.write(tmp_path / "study", spoilt))
    assert (status, out) == (1, "")
    assert [line.partition(":")[0] for line in err.splitlines()] == [
        "claims.csv, row 5, column low", "readings.csv, row 2, column value", "nothing was imported",
    ]  # fmt: skip
    assert not Comparison.objects.exists()


@pytest.mark.parametrize(
    ("module", "arguments", "told"),
    [
        (import_study, ["/no/such/study"], "found nothing there, expected a study folder or a zip of one"),
        (export_study, ["nobody", "out"], "Found no comparison “nobody”"),
        (import_study, [], "required: PATH"),
        (export_study, ["x"], "required: PATH"),
        (import_study, ["a", "--as"], "expected one argument"),
    ],
)
def test_what_cannot_be_done_ends_with_2_and_one_line(run, module, arguments, told):
    status, out, err = run(module, *arguments)
    assert (status, out) == (2, "")
    assert told in err.splitlines()[-1]


def test_what_is_there_is_never_written_over(run, tmp_path):
    run(import_study, rich.write(tmp_path / "study"))
    (tmp_path / "there.zip").write_bytes(b"mine")
    for target in (tmp_path / "there.zip", tmp_path / "study"):
        status, out, err = run(export_study, "hose-clamps", target)
        assert (status, out) == (1, "")
        assert len(err.splitlines()) == 1 and "found something there, expected a new" in err
    assert (tmp_path / "there.zip").read_bytes() == b"mine"


def test_where_it_may_not_be_written(run, tmp_path):
    run(import_study, rich.write(tmp_path / "study"))
    (tmp_path / "file").write_text("")
    status, out, err = run(export_study, "hose-clamps", tmp_path / "file" / "out")
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1 and "give another path" in err


@pytest.mark.parametrize("name", ["import_study", "export_study"])
def test_help(name):
    command = [sys.executable, "manage.py", name, "--help"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0 and "PATH" in done.stdout
