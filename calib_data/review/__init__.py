"""Statistics of re-measured rounds, for `plumbsight review` and the reviewer's page: functions on frames."""
