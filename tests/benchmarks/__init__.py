"""Benchmarks: ``python -m tests.benchmarks.NAME [--quick]``; the last line printed is one JSON object."""
