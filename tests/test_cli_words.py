"""The rest of the command line: usage, the catalogue, tickets to fill in, lengths, schemas, and how soon it answers."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import msgspec
import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.load import read
from lint.load.ticket import read_ticket
from lint.rooms import all_rules
from lint.save import write_part
from lint.terms import Part, Source
from lint.ticket import Ticket

ROOT = Path(__file__).resolve().parents[1]


def put(path: Path, size: tuple[float, float, float] = (10, 10, 10), units: str | None = "mm", step: float | None = None) -> Path:
    vertices, faces = solids.box(size, step=step or max(size))
    write_part(Part(vertices.copy(), faces.copy(), Source(path, "stl", "", 0), units=units), path)
    return path


def ends(*words: str | Path) -> int:
    try:
        return main([str(w) for w in words])
    except SystemExit as ended:
        return int(ended.code or 0)


@pytest.mark.parametrize(
    "words",
    [
        [], ["nonsense"], ["lint"], ["lint", "a.stl", "--as", "pdf"], ["lint", "a.stl", "--nozzle", "-1"],
        ["lint", "a.stl", "--nozzle", "nan"], ["lint", "a.stl", "--bed", "1,2"], ["lint", "a.stl", "--bed", "0,1,1"],
        ["lint", "a.stl", "--pull", "0,0,0"], ["lint", "a.stl", "--jobs", "0"], ["lint", "a.stl", "--lin", "note"],
        ["lint", "a.stl", "--units", "feet"], ["fix", "a.stl", "--step", "polish"], ["fix", "a.stl"],
        ["rules", "four"], ["rules", "4711"], ["schema", "world"], ["size", "a.stl"], ["size", "a.stl", "--true", "40"],
        ["size", "a.stl", "--ball", "25", "--bar", "40"],
    ],
)  # fmt: skip
def test_bad_words_end_with_2_and_say_so(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert ends(*words) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert caught.err
    assert "Traceback" not in caught.err


def test_a_direction_may_begin_with_a_minus(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(tmp_path / "a.stl")
    assert ends("lint", tmp_path / "a.stl", "--pull", "-1,0,0", "--as", "json", "--units", "mm", "--jobs", "1") in (0, 1)
    part = json.loads(capsys.readouterr().out)["parts"][0]
    assert part["settings"]["pull"] == {"value": [-1, 0, 0], "set_by": "--pull"}


def test_the_catalogue_lists_every_rule_within_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert ends("rules") == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    for number, rule in all_rules().items():
        assert re.search(rf"^ *{number}  {re.escape(rule.name)} +{rule.weight.word}\b", text, flags=re.M)


def test_every_rule_has_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    for number, rule in all_rules().items():
        assert ends("rules", str(number)) == 0
        text = capsys.readouterr().out
        assert text.startswith(f"rule {number}, {rule.name} ({rule.weight.word}")
        for heading in ("At the bench:", "How it is measured:", "Limit:", "What mends it:", "When it is wrong:"):
            assert heading in text
        for name, limit in rule.limits.items():
            assert f"  {name}: " in text
            assert " ".join(limit.basis.split())[:30] in " ".join(text.split())


@pytest.mark.parametrize("name", ["ticket", "shop", "ledger"])
def test_schemas_are_schemas(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert ends("schema", name) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate({}, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"nonsense": 1}, schema)


def test_a_ticket_to_fill_in_can_be_read_as_it_is_and_filled_in_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(tmp_path / "troll.stl")
    assert ends("ticket", part) == 0
    caught = capsys.readouterr()
    assert "keep it beside the part" in caught.err
    empty = msgspec.toml.decode(caught.out, type=Ticket)
    assert empty.part.units is None
    filled = msgspec.toml.decode(re.sub(r"^# (?=[\[a-z_]+(\]| = ))", "", caught.out, flags=re.M), type=Ticket)
    assert filled.part.units == "mm"
    assert filled.length[0].true == 40
    assert filled.caliper[0].name == "nostril to nostril"
    for table in ("part", "print", "use", "fix"):
        for field in msgspec.structs.fields(getattr(filled, table)):
            if field.name not in ("face", "crop"):
                assert f"{field.encode_name} = " in caught.out
    assert "12 faces, 10 x 10 x 10 in numbers without a unit" in caught.out


def test_a_ticket_says_the_units_when_the_file_does(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ends("ticket", put(tmp_path / "troll.3mf")) == 0
    text = capsys.readouterr().out
    assert msgspec.toml.decode(text, type=Ticket).part.units == "mm"
    assert "10 x 10 x 10 mm" in text


def test_a_ticket_is_written_once_and_never_over_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part, ticket = put(tmp_path / "troll.stl"), tmp_path / "troll.stl.ticket.toml"
    assert ends("ticket", part, "--to", ticket) == 0
    first = ticket.read_bytes()
    read_ticket(ticket)
    assert ends("ticket", part, "--to", ticket) == 2
    assert ticket.read_bytes() == first
    assert ends("ticket", part, "--to", tmp_path / "troll.txt") == 2
    assert "will not be found" in capsys.readouterr().err


def test_a_length_goes_into_the_ticket_and_what_stands_there_stays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(tmp_path / "troll.stl", (0.04, 0.01, 0.01))
    ticket = tmp_path / "troll.ticket.toml"
    ticket.write_text('# by hand\n[part]\nbody = "nose"\n')
    assert ends("size", part, "--from", "0,0,0", "--to-point", "0.04,0.01,0", "--true", "41.3", "--name", 'block "A"') == 0
    text = ticket.read_text()
    assert text.startswith('# by hand\n[part]\nbody = "nose"\n')
    length = read_ticket(ticket).length[0]
    apart = np.linalg.norm(np.subtract(length.from_, length.to))
    assert 0.0399 < apart < 0.0413
    assert (length.true, length.name) == (41.3, 'block "A"')
    said = capsys.readouterr().out
    assert "its numbers look like metres" in said
    assert "troll.ticket.toml" in said
    assert ends("size", part, "--from", "0,0,0", "--to-point", "0,0.01,0", "--true", "10") == 0
    assert len(read_ticket(ticket).length) == 2


def test_a_length_makes_a_ticket_where_there_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(tmp_path / "troll.3mf", (41, 10, 10))
    assert ends("size", part, "--from", "0,0,0", "--to-point", "41,0,0", "--true", "40") == 0
    assert read_ticket(tmp_path / "troll.3mf.ticket.toml").length[0].true == 40
    assert "2.50 % too large" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "why"),
    [(("--from", "1,1,0", "--to-point", "1,1,0", "--true", "40"), "the same"),
     (("--ball", "25", "--to-point", "1,1,0"), "goes with --true"),
     (("--ball", "25"), "no ball could be found"), (("--from", "500,0,0", "--to-point", "0,0,0", "--true", "40"), "from the skin")],
)  # fmt: skip
def test_a_length_that_is_none_is_refused(tmp_path: Path, words: tuple[str, ...], why: str, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(tmp_path / "troll.stl")
    assert ends("size", part, *words) == 2
    assert why in capsys.readouterr().err
    assert not list(tmp_path.glob("*.toml"))


def test_a_gauge_block_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(tmp_path / "block.stl", (0.04, 0.02, 0.01), step=0.001)
    assert ends("size", part, "--bar", "40") == 0
    (length,) = read_ticket(tmp_path / "block.stl.ticket.toml").length
    assert np.linalg.norm(np.subtract(length.from_, length.to)) == pytest.approx(0.04, rel=1e-6)
    assert "its numbers look like metres" in capsys.readouterr().out


def test_reading_back_what_is_written_is_the_same_part(tmp_path: Path) -> None:
    assert len(read(put(tmp_path / "troll.stl")).faces) == 12


HEAVY = {"scipy", "trimesh", "igl", "manifold3d", "embreex", "skimage", "rtree", "rich", "lxml", "networkx", "concurrent"}


def test_the_command_answers_soon_and_loads_nothing_heavy(tmp_path: Path) -> None:
    """`rules` is asked for at the bench: 0.3 s on a quiet machine; on a busy one it is held to what numpy alone takes there."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    env |= {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": str(tmp_path)}
    words = [sys.executable, "-X", "importtime", "-m", "lint.cli", "rules"]
    done = subprocess.run(words, cwd=ROOT, env=env, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0
    assert not {line.rsplit("|", 1)[1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line} & HEAVY
    _seconds([sys.executable, "-c", "import numpy"], env)
    asked, bare_numpy = [sys.executable, "-m", "lint.cli", "rules"], [sys.executable, "-c", "import numpy"]
    pairs = [(_seconds(asked, env), _seconds(bare_numpy, env)) for _ in range(5)]
    assert any(ours < 0.3 or ours < 3 * bare for ours, bare in pairs), pairs


def _seconds(words: list[str], env: dict[str, str]) -> float:
    began = time.monotonic()
    subprocess.run(words, cwd=ROOT, env=env, capture_output=True, timeout=60, check=True)
    return time.monotonic() - began
