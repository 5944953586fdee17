"""Tests, and under `bench/` the benchmarks. A package, so that both share modules (`from tests.bench import ...`)."""
