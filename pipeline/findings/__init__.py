"""Claims with size, interval, evidence and caveat; the week's bundle and its JSON form."""
