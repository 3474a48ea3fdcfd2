"""Plugins: finding and loading them, what they hand over, what is demanded of it, and whose fault is whose."""

from .loader import Broken, Registry, load_module, load_registry, plugin_choice

__all__ = ["Broken", "Registry", "load_module", "load_registry", "plugin_choice"]
