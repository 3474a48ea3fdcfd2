"""The turn of a planet from one member of a set to the next: found, agreed on, and taken out."""
