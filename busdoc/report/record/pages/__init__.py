"""The sections of the record, as plain blocks."""
