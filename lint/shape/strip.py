"""strip: leave out everything but the shape, so that a shared file says nothing about whose body it is."""

from __future__ import annotations

from dataclasses import replace

from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch

fix = Fix("strip", Touch.RECORD, "leaves out pictures, comments, names and other words that travel with the file; the shape stays as it is")


@fix.make
def make(job: Job) -> Shaped:
    """A part of the same mesh whose source holds no words. Declines when there are none."""
    source = job.part.source
    if not (source.texts or source.attachments or source.objects):
        raise Declined("the file holds nothing but the shape")
    bare = replace(job.part, source=replace(source, texts=(), attachments=(), objects=()))
    count = len(source.texts) + len(source.attachments) + len(source.objects)
    return Shaped(
        bare,
        Promise(clears=tuple({f.rule for f in job.findings})),
        f"left out {count} pieces of text or picture; the file it came from still has them",
        cautions=("the original file still tells; keep it where only those may read it who should",),
    )
