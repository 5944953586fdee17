"""Tests, and under `bench/` the benchmarks. A package, so that both can share modules (`from tests.bench import ...`)."""
