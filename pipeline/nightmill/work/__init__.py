"""What is done inside a task, in whatever process: reading frames, calling stages, storing the product.

Nothing here knows a scheduler. A task is a dict of JSON values; its outcome is a small dict of JSON values; frames
never travel.
"""

from .perform import perform

__all__ = ["perform"]
