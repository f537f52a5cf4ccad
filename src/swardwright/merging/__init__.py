"""Swardwright."""
