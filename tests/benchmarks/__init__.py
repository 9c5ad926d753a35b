"""Benchmarks: ``python -m tests.benchmarks.NAME [--quick]``; one JSON object on the last line."""
