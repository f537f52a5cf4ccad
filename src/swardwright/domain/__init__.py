"""The words of the job as frozen data, and the pure computation that more than one step needs."""
