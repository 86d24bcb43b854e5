"""What each table is: the one source of truth for the store, the readers and the docs."""
