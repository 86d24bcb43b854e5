"""Writes the made-up plant: fixed make-up, planted faults, simulated picks, and writers for each dialect."""
