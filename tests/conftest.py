"""What holds for every test: the words of the environment that change what buckwright does are not those of the machine."""

import os

from lint import cores

# A hosted CI sets CI, where `fix` keeps to the record; a test that means that sets it itself.
for word in ("CI", "NO_COLOR", "FORCE_COLOR", "BUCKWRIGHT_TRACE", "BUCKWRIGHT_STORE_MIB"):
    os.environ.pop(word, None)

# Results of earlier runs would answer for the code that is tested; a test of the store names a folder of its own.
os.environ["BUCKWRIGHT_STORE"] = "off"


def pytest_xdist_auto_num_workers() -> int:
    """With `-n auto`, one worker more than there are cores: some tests wait, for a browser, a deadline or a process that is to die."""
    return cores.allowed() + 1
