"""Attrition and pick-error statistics for placement lines; docs/architecture.md numbers the stages."""

__version__ = "0.1.0"
