"""The shop's memory: customers, cases, photos, outcomes.

>>> from panelvision.cases import Case, Customer, open_store   # doctest: +SKIP
>>> with open_store() as store:                                 # doctest: +SKIP
...     saved = store.save_case(Case(customer=Customer("A customer", "01234 5678")))
"""

from panelvision.cases.model import Case, CasePhoto, Customer, Outcome, SetDescription
from panelvision.cases.photo_files import StoredPhoto
from panelvision.cases.store import CaseStore, CustomerEntry, Deletion, open_store

__all__ = [
    "Case",
    "CasePhoto",
    "CaseStore",
    "Customer",
    "CustomerEntry",
    "Deletion",
    "Outcome",
    "SetDescription",
    "StoredPhoto",
    "open_store",
]
