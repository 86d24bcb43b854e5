"""What the commands show, as rows; cli.py decides when, console.py how."""
