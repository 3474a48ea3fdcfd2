"""What this machine offers and lacks: small probes, each with a cure."""

from .probes import Finding, examine

__all__ = ["Finding", "examine"]
