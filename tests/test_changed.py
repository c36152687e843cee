"""Which parts a change touches, in a real git repository made by the test."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from lint.changed import changed_since
from lint.terms import BadInput


class Shelf:
    """A git work tree with a few parts whose names are awkward on purpose."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.git("init", "-q", "-b", "main")
        self.git("config", "user.email", "workshop@theatre.example")
        self.git("config", "user.name", "Workshop")
        for name in ("ears/troll left.stl", "ears/høne.stl", "masks/tin king.obj", "masks/heron.obj"):
            self.write(name, "solid\n")
        self.write("ears/høne.stl.ticket.toml", '[part]\npair = "troll left.stl"\n')
        self.write("masks/heron.ticket.toml", "")
        self.write("shop.toml", "edition = 1\n")
        self.write("ledger.toml", self.entry("ears/troll left.stl") + self.entry("masks/heron.obj"))
        self.commit()

    @staticmethod
    def entry(part: str, because: str = "known") -> str:
        return f'[[accepted]]\npart = "{part}"\nrule = 30\ncase = "thin"\nbecause = "{because}"\n'

    def git(self, *words: str) -> None:
        subprocess.run(["git", "-C", str(self.root), *words], check=True, capture_output=True)

    def write(self, name: str, text: str) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")

    def commit(self) -> None:
        self.git("add", "-A")
        self.git("commit", "-q", "-m", "shelf")

    def changed(self, revision: str = "HEAD") -> set[str]:
        parts = sorted([*self.root.rglob("*.stl"), *self.root.rglob("*.obj")])
        return {p.relative_to(self.root).as_posix() for p in changed_since(parts, revision, self.root)}


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path)


def test_nothing_changed(shelf: Shelf) -> None:
    assert shelf.changed() == set()


def test_a_changed_part_and_the_part_paired_with_it(shelf: Shelf) -> None:
    shelf.write("ears/troll left.stl", "solid again\n")
    assert shelf.changed() == {"ears/troll left.stl", "ears/høne.stl"}


def test_a_changed_or_removed_ticket_brings_its_part(shelf: Shelf) -> None:
    shelf.write("ears/høne.stl.ticket.toml", "[print]\nnozzle = 0.6\n")
    (shelf.root / "masks/heron.ticket.toml").unlink()
    assert shelf.changed() == {"ears/høne.stl", "masks/heron.obj"}


def test_the_shop_file_brings_everything_below_it(shelf: Shelf) -> None:
    shelf.write("masks/shop.toml", "edition = 1\n")
    assert shelf.changed() == {"masks/tin king.obj", "masks/heron.obj"}
    shelf.write("shop.toml", "edition = 1\n[print]\nnozzle = 0.6\n")
    assert len(shelf.changed()) == 4


def test_the_ledger_brings_only_the_parts_whose_entries_changed(shelf: Shelf) -> None:
    shelf.write("ledger.toml", shelf.entry("masks/heron.obj") + shelf.entry("ears/troll left.stl", "known, and sanded"))
    assert shelf.changed() == {"ears/troll left.stl"}


def test_new_parts_count_and_ignored_ones_do_not(shelf: Shelf) -> None:
    shelf.write("masks/wolf.obj", "new\n")
    shelf.write("scrap/old.obj", "new\n")
    shelf.write(".gitignore", "scrap/\n")
    assert shelf.changed() == {"masks/wolf.obj"}


def test_since_an_older_revision(shelf: Shelf) -> None:
    shelf.write("masks/heron.obj", "v 0 0 0\n")
    shelf.commit()
    assert shelf.changed() == set()
    assert shelf.changed("HEAD~1") == {"masks/heron.obj"}


def test_a_link_is_changed_with_what_it_leads_to(shelf: Shelf) -> None:
    (shelf.root / "masks/link.obj").symlink_to("heron.obj")
    shelf.commit()
    shelf.write("masks/heron.obj", "v 0 0 0\n")
    assert shelf.changed() == {"masks/heron.obj", "masks/link.obj"}


def test_no_repository_and_no_such_revision_say_so(shelf: Shelf, tmp_path_factory: pytest.TempPathFactory) -> None:
    with pytest.raises(BadInput, match="no such revision"):
        shelf.changed("--help")
    with pytest.raises(BadInput, match="no such revision"):
        shelf.changed("last-spring")
    with pytest.raises(BadInput, match="not in a git work tree"):
        changed_since([], "HEAD", tmp_path_factory.mktemp("elsewhere"))
