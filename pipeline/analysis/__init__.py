"""One shop-floor question a module. Knows frames and settings; knows no SQL, no store and no page."""
