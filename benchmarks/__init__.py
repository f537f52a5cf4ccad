"""Figures of merit: one module per figure, each with ``figures() -> Iterator[dict]``; run ``python -m benchmarks``."""
