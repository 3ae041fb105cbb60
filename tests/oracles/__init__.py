"""Models that production code is checked against, and compared with in benchmarks."""
