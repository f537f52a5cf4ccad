"""Figures of merit: one module per step; run ``make bench NAME=...``."""
