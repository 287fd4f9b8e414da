"""Derivation: fill and drain rates, flows, and what the last readings say, from tables of readings alone."""
