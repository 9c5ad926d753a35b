"""panelvision: find the failed assembly of a television from photos of its screen.

>>> import panelvision as pv                       # doctest: +SKIP
>>> result = pv.examine("dark-set.jpg")            # doctest: +SKIP
>>> result.symptom, result.suspects.assemblies     # doctest: +SKIP
"""

__version__ = "0.1.0"

# Imported here so that `panelvision.examine` is the function; the module of that name is
# still reached by `from panelvision.examine import look`.
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.examine import Examination, examine

__all__ = ["Examination", "PanelvisionError", "PhotoError", "__version__", "examine"]
