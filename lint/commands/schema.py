"""buckwright schema: the JSON Schema of the ticket, the shop file or the ledger, for editors that check while you type."""

from __future__ import annotations

import argparse
import json

from lint.commands import screen
from lint.load.ticket import schemas


def run(args: argparse.Namespace) -> int:
    """Print one schema."""
    screen.put(json.dumps(schemas()[args.what], indent=1, ensure_ascii=False) + "\n", machine=True)
    return 0
