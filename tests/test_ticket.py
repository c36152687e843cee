"""Tickets, shop files and ledgers: read strictly, found where they belong, written so that they read back the same."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lint.load.ticket import (
    add_accepted,
    add_lengths,
    find_shop,
    find_ticket,
    read_ledger,
    read_shop,
    read_ticket,
    schemas,
    ticket_text,
    write_ledger,
    write_ticket,
)
from lint.terms import BadInput
from lint.ticket import Accepted, Ledger, Length, Ticket
from tests import samples


def write(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_a_whole_ticket(tmp_path: Path) -> None:
    ticket = read_ticket(write(tmp_path / "a.ticket.toml", samples.TICKET))
    assert ticket.part.body == "nose"
    assert ticket.length[0].to == (40.0, 0.0, 0.0)
    assert ticket.length[0].true == 40.0
    assert ticket.caliper[0].read == 38.2
    assert ticket.print.bed == (220.0, 220.0, 250.0)
    assert ticket.fix.steps == ["seat", "hollow", "drain"]
    assert ticket.fix.crop[0].high == (1.0, 1.0, 1.0)
    assert read_ticket(write(tmp_path / "b.ticket.toml", b"\xef\xbb\xbf" + samples.TICKET.replace(b"\n", b"\r\n"))) == ticket


def test_the_ticket_of_the_design_is_read(tmp_path: Path) -> None:
    text = """[part]
body = "nose"                 # ear, nose, face, head, hand, foot, limb, other
pair = "other-file.stl"       # optional
units = "mm"
[[length]]
from = [0, 1, 2]
to = [0, 1, 42]
true = 40.0                   # mm
[print]
process = "extrusion"         # or "resin"
[use]
wall = 3.0                    # hollow wall
clay = 8.0
[fix]
allow = "skin"                # record, piece, inside, skin
"""
    assert read_ticket(write(tmp_path / "a.ticket.toml", text)).part.pair == "other-file.stl"


def test_shop_and_ledger(tmp_path: Path) -> None:
    shop = read_shop(write(tmp_path / "shop.toml", samples.SHOP))
    assert shop.print.nozzle == 0.6
    assert shop.rule == {"30": {"wall": 1.2, "because": "our clay is soft"}}
    (entry,) = read_ledger(write(tmp_path / "ledger.toml", samples.LEDGER)).accepted
    assert entry.until == "2030-01-31"
    assert entry.spot == (1.0, 2.0, 3.0)
    assert read_ledger(tmp_path / "absent.toml") == Ledger()


TROUBLE = [
    ("[print]\nnozzel = 0.4\n", "[print] nozzel (line 2): there is no such key; did you mean nozzle? It takes: process, nozzle, layer"),
    ("\n[prnit]\n", "prnit (line 2): there is no such table; did you mean print? It takes: part, length,"),
    ('[print]\nnozzle = "0.4"\n', '[print] nozzle (line 2): "0.4": write a number, without quotes'),
    ("[print]\nnozzle = 0\n", "[print] nozzle (line 2): 0: write a number above 0"),
    ("[print]\nnozzle = true\n", "[print] nozzle (line 2): true: write a number"),
    ("[print]\nnozzle = inf\n", "[print] nozzle (line 2): inf: write a finite number"),
    ("[print]\nnozzle = nan\n", "write a finite number"),
    ("[use]\nmargin = -1\n", "[use] margin (line 2): -1: write a number, 0 or more"),
    ("[print]\nbed = [220, 220]\n", "[print] bed (line 2): [220, 220]: write 3 numbers in brackets"),
    ('[print]\nbed = [220, "220", 1]\n', '[print] bed (line 2): "220": write a number'),
    ('[print]\nprocess = "resine"\n', '"resine" is not one of: "extrusion", "resin"; did you mean resin?'),
    ('[part]\nbody = "noze"\n', '[part] body (line 2): "noze" is not one of: "ear", "face",'),
    ("[part]\npair = 5\n", "[part] pair (line 2): 5: write text in double quotes"),
    ("[part]\npair = 2020-01-01\n", "write text in double quotes"),
    ("part = 5\n", "part (line 1): 5: write it as a table, [part]"),
    ("[length]\ntrue = 4\n", "length (line 1): write [[length]], with two brackets"),
    ("[[length]]\nfrom = [0, 0, 0]\nto = [1, 0, 0]\n", "[[length]] 1 (line 1): true is missing; write true = a number"),
    ("[[length]]\nfrom = [0, 0, 0]\nto = [1, 0, 0]\ntrue = 4\n[[length]]\nfrom = [0, 0]\n", "[[length]] 2 from (line 6): [0, 0]: write 3"),
    ('[fix]\nsteps = ["seat", "holow"]\n', '[fix] steps (line 2): "holow" is not one of:'),
    ('[fix]\nsteps = "seat"\n', "write a list in brackets"),
    ("[[fix.crop]]\nlow = [0, 0, 0]\n", "[[fix.crop]] 1 (line 1): write either low and high"),
    ("[[fix.crop]]\nlow = [0, 0, 0]\nhigh = [1, 1, 1]\naway = [0, 0, 1]\n", "[[fix.crop]] 1 (line 1): write either low and high"),
    ("[[fix.crop]]\nlow = [0, 0, 0]\nhigh = [1, 1, 1]\n[[fix.crop]]\nhihg = 1\n", "[[fix.crop]] 2 hihg (line 5): there is no such key"),
    ("[part]\nbody = nose\n", "line 2: it is not TOML"),
    ("[part]\n[part]\n", "it is not TOML"),
    ("[part\n", "line 1: it is not TOML"),
    (b"[part]\ncode = \"\xff\"\n", "line 2: it is not UTF-8"),
    ("x = " + "[" * 5000, "it is not TOML"),
    ("[print]\nnozzle = 1" + "0" * 5000 + "\n", "not TOML"),
    ("[print]\nnozzle = 1" + "0" * 400 + "\n", "write a finite number"),
    ("version https://git-lfs.github.com/spec/v1\n", "large-file pointer"),
]


@pytest.mark.parametrize(("text", "words"), TROUBLE, ids=range(len(TROUBLE)))
def test_trouble_names_file_table_key_line_and_what_is_wanted(tmp_path: Path, text: str | bytes, words: str) -> None:
    path = write(tmp_path / "nose.ticket.toml", text)
    with pytest.raises(BadInput) as caught:
        read_ticket(path)
    said = str(caught.value)
    assert said.startswith(f"{path}: ")
    assert words in said
    assert said.isprintable()


@pytest.mark.parametrize(
    ("reader", "text", "words"),
    [
        (read_shop, 'edition = "1"\n', 'edition (line 1): "1": write a whole number, without quotes'),
        (read_shop, "[rule.30]\nwall = [1]\n", "[rule.30] wall (line 2): [1]: write a number, text in double quotes, or true or false"),
        (read_shop, "[part]\nbody = 'nose'\n", "[part] body (line 2): there is no such key. It takes: units"),
        (read_shop, "[use]\npull = [0, 0, 0]\n", "no direction"),
        (read_ledger, "[[accepted]]\npart = 'a'\nrule = 1\ncase = 'x'\n", "[[accepted]] 1 (line 1): because is missing"),
        (read_ledger, samples.LEDGER.decode().replace("2030-01-31", "'2030-31-01'"), "1 until (line 8): '2030-31-01' is not a date"),
        (read_ledger, samples.LEDGER.decode().replace("rule = 30", "rule = 0"), "write the number of a rule"),
        (read_ledger, samples.LEDGER.decode().replace("= 4.0", "= -4.0"), "zero or more"),
        (read_ledger, samples.LEDGER.decode().replace("the nostril rim is meant to be thin", "  "), "for a reason"),
        (read_ledger, samples.LEDGER.decode().replace("rule = 30", "rule = 30.5"), "write a whole number"),
    ],
)
def test_trouble_in_shop_and_ledger(tmp_path: Path, reader: Callable[[Path], Any], text: str, words: str) -> None:
    with pytest.raises(BadInput) as caught:
        reader(write(tmp_path / "a.toml", text))
    assert words in str(caught.value)


def test_folders_and_pipes_are_no_tickets(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="folder"):
        read_ticket(tmp_path)
    with pytest.raises(BadInput, match="no such file"):
        read_ticket(tmp_path / "absent.ticket.toml")
    with pytest.raises(BadInput, match="pipe"):
        read_ticket(Path("/dev/zero"))


def test_a_ticket_is_found_by_its_full_name_first(tmp_path: Path) -> None:
    part = tmp_path / "nose.stl"
    assert find_ticket(part) is None
    short = write(tmp_path / "nose.ticket.toml", "")
    assert find_ticket(part) == short
    long = write(tmp_path / "nose.stl.ticket.toml", "")
    assert find_ticket(part) == long
    assert find_ticket(tmp_path / "nose.obj") == short
    assert find_ticket(tmp_path / "ear.stl") is None


def test_a_shop_file_is_found_upward(tmp_path: Path) -> None:
    deep = tmp_path / "trolls" / "noses"
    deep.mkdir(parents=True)
    part = write(deep / "a.stl", "")
    outer = write(tmp_path / "shop.toml", "")
    assert find_shop(part) == outer
    assert find_shop(deep) == outer
    inner = write(tmp_path / "trolls" / "shop.toml", "")
    assert find_shop(part) == inner
    assert find_shop(tmp_path) == outer


# Writing


def test_a_ticket_reads_back_the_same(tmp_path: Path) -> None:
    ticket = read_ticket(write(tmp_path / "a.ticket.toml", samples.TICKET))
    write_ticket(tmp_path / "b.ticket.toml", ticket, header_comment="written by hand\nand kept")
    assert read_ticket(tmp_path / "b.ticket.toml") == ticket
    assert (tmp_path / "b.ticket.toml").read_text().startswith("# written by hand\n# and kept\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.ticket.toml", "b.ticket.toml"]


def test_comments_stand_where_they_belong_and_alone_where_nothing_is_filled_in() -> None:
    crop = {"low": [0, 0, 0], "high": [1, 1, 1]}
    ticket = msgspec.convert({"part": {"body": "ear", "code": 'H"1\\\t\x7f'}, "fix": {"crop": [crop]}}, Ticket)
    comments = {"": "top", "part": "the part", "part.body": "which", "print.nozzle": "nozzle = 0.4\nlayer = 0.2", "use": "later"}
    text = ticket_text(ticket, comments)
    assert text.splitlines() == [
        "# top", "", "# the part", "[part]", "# which", 'body = "ear"', 'code = "H\\"1\\\\\\t\\u007f"', "", "[print]", "# nozzle = 0.4",
        "# layer = 0.2", "", "# later", "[use]", "", "[[fix.crop]]", "low = [0.0, 0.0, 0.0]", "high = [1.0, 1.0, 1.0]",
    ]  # fmt: skip
    assert msgspec.convert(tomllib.loads(text), Ticket) == ticket
    assert ticket_text(Ticket(), {}) == "\n"
    form = ticket_text(Ticket(), {"length": "[[length]]\nfrom = [0, 0, 0]", "caliper": "none yet"})
    assert form == "# [[length]]\n# from = [0, 0, 0]\n\n# none yet\n"


floats = st.floats(allow_nan=False, allow_infinity=False)
points = st.tuples(floats, floats, floats)
lengths = st.builds(Length, from_=points, to=points, true=st.floats(1e-300, 1e300), name=st.text())


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(lengths, max_size=3), st.text(), st.text())
def test_whatever_is_in_it_a_ticket_reads_back_the_same(entries: list[Length], code: str, comment: str) -> None:
    ticket = Ticket(length=entries)
    ticket.part.code = "".join(c for c in code if not 0xD800 <= ord(c) < 0xE000)
    for entry in entries:
        entry.name = "".join(c for c in entry.name if not 0xD800 <= ord(c) < 0xE000)
    text = ticket_text(ticket, {"": comment, "part.code": comment, "use.pull": comment})
    assert msgspec.convert(tomllib.loads(text), Ticket) == ticket


def test_adding_keeps_what_others_wrote(tmp_path: Path) -> None:
    path = write(tmp_path / "a.ticket.toml", samples.TICKET + b"# end, without a newline")
    length = Length(from_=(1.0, 2.0, 3.0), to=(4.0, 5.0, 6.0), true=25.0, name="ball")
    add_lengths(path, [length])
    assert path.read_bytes().startswith(samples.TICKET + b"# end, without a newline\n")
    assert read_ticket(path).length[1] == length
    add_lengths(tmp_path / "new.ticket.toml", [length, length], header_comment="marked")
    assert read_ticket(tmp_path / "new.ticket.toml").length == [length, length]
    entry = Accepted(part="a.stl", rule=4, case="rim", because="a mask", spot=(1.0, 2.0, 3.0))
    ledger = write(tmp_path / "ledger.toml", samples.LEDGER)
    add_accepted(ledger, [entry])
    assert ledger.read_bytes().startswith(samples.LEDGER)
    assert read_ledger(ledger).accepted[1] == entry
    write_ledger(ledger, Ledger(accepted=[entry]))
    assert read_ledger(ledger).accepted == [entry]


def test_nothing_is_added_to_a_ticket_that_cannot_be_read(tmp_path: Path) -> None:
    length = Length(from_=(1.0, 2.0, 3.0), to=(4.0, 5.0, 6.0), true=25.0)
    for text in ("[print]\nnozzel = 1\n", "length = []\n"):
        path = write(tmp_path / "a.ticket.toml", text)
        with pytest.raises(BadInput):
            add_lengths(path, [length])
        assert path.read_text() == text
    bad = Length(from_=(1.0, 2.0, float("nan")), to=(4.0, 5.0, 6.0), true=25.0)
    with pytest.raises(BadInput, match="finite"):
        add_lengths(tmp_path / "b.ticket.toml", [bad])
    assert not (tmp_path / "b.ticket.toml").exists()


# Schemas


@pytest.mark.parametrize(("name", "text"), [("ticket", samples.TICKET), ("shop", samples.SHOP), ("ledger", samples.LEDGER)])
def test_the_schemas_take_what_the_reader_takes(name: str, text: bytes) -> None:
    schema = schemas()[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    json.dumps(schema)
    said = json.loads(json.dumps(tomllib.loads(text.decode()), default=str))
    jsonschema.validate(said, schema, cls=jsonschema.Draft202012Validator)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**said, "nozzel": 1}, schema, cls=jsonschema.Draft202012Validator)
