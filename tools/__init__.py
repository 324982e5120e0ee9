"""The command line, the makers of test data, studies and benchmarks."""
