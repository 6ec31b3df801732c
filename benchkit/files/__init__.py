"""
Files: YAML read safely, once, into frozen models; every mistake with its file, line and key.

axis, fields and types (what models are made of), yaml (text to a Document that knows its lines), validate (Document to
model), schema (model to JSON Schema).

Nothing is gathered here: the models need types, and must not wait for the YAML reader that only the loaders need.
"""

__all__: list[str] = []
