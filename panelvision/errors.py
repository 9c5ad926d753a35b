"""Errors that a user can act on: each message is one line that says what to do."""


class PanelvisionError(Exception):
    """Base of every error that panelvision raises on purpose."""


class PhotoError(PanelvisionError, ValueError):
    """A photo that cannot be read, or that is too large to be read within bounds."""


class DataError(PanelvisionError, ValueError):
    """A data file (knowledge, truth, settings, archive ...) that does not fit its schema."""


class ModelError(PanelvisionError, RuntimeError):
    """A classifier artefact that is missing, altered, or made for other features."""


class StoreError(PanelvisionError, RuntimeError):
    """A case store that cannot be opened, read or written."""
