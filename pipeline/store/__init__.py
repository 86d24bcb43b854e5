"""The DuckDB file: open, migrate, load atomically, and read frames out of it."""
