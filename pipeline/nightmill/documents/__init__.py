"""YAML that people write: read without construction of objects, bounded, every value with its line and column."""

from .problems import Problem, Problems, nearest
from .yamlread import Node, read_text, read_yaml

__all__ = ["Node", "Problem", "Problems", "nearest", "read_text", "read_yaml"]
