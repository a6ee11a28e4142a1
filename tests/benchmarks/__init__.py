"""Benchmarks that anyone can run: accuracy against exact truth, and speed as ratios in one run."""
