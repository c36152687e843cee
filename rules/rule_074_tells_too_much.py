"""Tells too much: the file carries a photograph or words that say whose body this is.

At the bench: the scan of an actor's face carries the photographs it was made from, the operator's folder names and sometimes where it
was taken. On a shared shelf all who fetch the part get that too.

How it is measured: pictures and material files that travel with the mesh are counted, and the words in headers, comments, metadata and
object names are searched for telling forms: addresses, positions, dates of birth, name fields, home folders. It runs only for parts
on a shared shelf (a folder under a shop.toml). The shape itself is not judged here, though a face can be known by its shape alone.

Limit: none of either (a convention of this project).

What mends it: strip, which leaves out everything but the shape. Every file that `buckwright fix` writes holds only the shape.

When it is wrong: a picture of a prop that is nobody, or a name that is the part's. Accept it in the ledger, with the reason. Silence
proves nothing: a bare name in a comment is not known for one.

Caution: a scan of a person is personal data where the person can be recognised (UK and EU GDPR, Article 4), and some laws, such as the
Illinois Biometric Information Privacy Act, ask for written consent before a scan of hand or face is taken. Keep the consent with the
part, keep names out of file names, and do not publish body scans as build results. This is not legal advice: local law decides.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from lint.measure.tells import Tells
from lint.terms import Finding, NotRun, Rule, Weight

if TYPE_CHECKING:
    from lint.settings import Settings

rule = Rule(
    number=74,
    name="tells too much",
    weight=Weight.CAUTION,
    unit="pieces",
    cases={
        "pictures": "pictures travel with the part ({measured:.0f}: {which}): on a shared shelf it should carry only its shape",
        "words": "text may say whose body this is ({measured:.0f} {unit}): {kind} in the {where}",
    },
    fix="strip",
)


@rule.find
def find(tells: Tells, settings: Settings) -> Iterator[Finding]:
    """One finding for the pictures, one for each kind of telling word. The words themselves are not repeated in the report."""
    if not settings.repository:
        raise NotRun("the part is not on a shared shelf (no shop.toml above it)")
    if tells.pictures:
        yield rule.finding("pictures", len(tells.pictures), 0, which=", ".join(tells.pictures[:3]))
    for kind in dict.fromkeys(k for k, _, _ in tells.words):
        where = [w for k, w, _ in tells.words if k == kind]
        yield rule.finding("words", len(where), 0, kind=kind, where=where[0])
