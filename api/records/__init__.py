"""The record: signed, chained, printed, exported, imported, checked, backed up."""
