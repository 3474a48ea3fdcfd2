"""The engine of nightmill: recipes, plans, execution and records.

It knows files, parallelism, progress, retry and caches; it knows no astronomy. What a stage author needs is
`from nightmill import stage` and the artefacts in `nightmill.artefacts`.
"""

__version__ = "0.1.0"
