"""The measurement: pure functions, no files, no clock, no log, no web. Start reading at measure.py."""
