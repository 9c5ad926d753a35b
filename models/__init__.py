"""Learns the symptoms: joins ``synth`` (draws) and ``panelvision`` (sees), judges and ships."""
