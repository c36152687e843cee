"""The commands, one file each: every one has `run(args) -> int`, the exit code."""
