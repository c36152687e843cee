"""`python -m tests.trial [--count 200] [--rule N ...] [--seed 1] [--clean]`: the table, every miss and every false alarm."""

from __future__ import annotations

import argparse

import numpy as np

from tests.trial.run import clean_meshes, run


def main() -> None:
    """Print the trial table."""
    parser = argparse.ArgumentParser(prog="python -m tests.trial", description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rule", type=int, action="append")
    parser.add_argument("--clean", action="store_true", help="print instead what is said of the sound meshes")
    asked = parser.parse_args()
    if asked.clean:
        for number, meshes in clean_meshes(asked.rule or range(100)).items():
            for name, message in meshes.items():
                print(f"{number:>4} {name:<28} {message}")
        return
    tallies = run(asked.rule or range(100), asked.count, asked.seed, say=True)
    print("\nrule planted  found  clean  recall precision  error p50  error max  off")
    for number, t in tallies.items():
        errors = np.array(t.errors or [np.nan])
        print(f"{number:>4} {t.found + len(t.missed):>7} {t.found:>6} {t.quiet:>6} {t.recall:>7.3f} {t.precision:>9.3f} "
              f"{np.median(errors):>10.4g} {errors.max():>10.4g} {len(t.off):>4}")  # fmt: skip
    for word in ("missed", "false_alarms", "off", "not_run"):
        for number, t in tallies.items():
            for line in getattr(t, word):
                print(f"{word.replace('_', ' ')}: rule {number}: {line}")


if __name__ == "__main__":
    main()
