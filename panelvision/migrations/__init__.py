"""Schema migrations of the case store, run by ``panelvision.cases.schema.migrate``."""
