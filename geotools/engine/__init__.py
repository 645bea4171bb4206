"""The contract of a step, the runner, workers and cluster, the lock."""
