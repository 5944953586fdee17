"""Benchmarks: run one with `python -m tests.bench.NAME` from the top of the tree."""
