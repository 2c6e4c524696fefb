"""Pages ask the clock what day it is: here it stands."""

from tests.at_noon import noon, queries_of, signed_in

__all__ = ["noon", "queries_of", "signed_in"]
