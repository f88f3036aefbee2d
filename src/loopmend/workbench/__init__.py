"""One function per use case: load, decide, record. The only place that reads the clock."""
