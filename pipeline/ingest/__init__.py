"""A log file -> staged rows and refused lines; one module a dialect."""
