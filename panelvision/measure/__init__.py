"""Measurements: pure functions from a squared-up screen to findings with units and uncertainty."""
