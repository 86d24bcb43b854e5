"""Where the command begins: Ctrl-C while the libraries are still being fetched is no traceback either.

In:    the command line.
Out:   what cli.py does, and its exit code; 130 when Ctrl-C came before it was there.
"""

import sys


def main() -> None:
    """Entry point."""
    try:
        from pipeline.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("pickfall: interrupted before anything was done.\n")
        sys.exit(130)
    run()
