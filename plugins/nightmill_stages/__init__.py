"""The stages that ship with nightmill: a folder a family, one file an algorithm, registered like anybody's plugin."""
