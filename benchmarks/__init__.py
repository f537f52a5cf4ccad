"""Figures of merit: one module per figure, each with ``figures() -> Iterator[dict]``; ``python -m benchmarks`` runs them."""
