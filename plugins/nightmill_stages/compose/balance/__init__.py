"""White balance: by the recipe, by a star of the night, by published colour, or made neutral."""
