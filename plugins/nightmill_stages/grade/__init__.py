"""Grading: what every single frame shows, where, how sharp, and whether it can be used."""

from nightmill.stage import Stage

from .stage import Grade

__all__ = ["STAGES", "Grade"]

STAGES: list[type[Stage]] = [Grade]
