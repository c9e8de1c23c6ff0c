"""Benchmarks: ratios against a named floor measured in the same run. `bash tests/run.sh bench` prints the table."""
