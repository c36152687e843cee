"""The benchmark: how long a lint takes, where the time goes, and how that compares with reading the file. `python -m tests.bench`."""
