"""The case file: schema, loading, located faults."""

from wallsim.case.load import load_case
from wallsim.case.reference import schema_text

__all__ = ["load_case", "schema_text"]
