"""The invented scenario: a pure seeded generator of plain rows, and what writes them.

`scenario.build(...)` takes a stated today and a seed and returns rows; `write.py` alone knows the database. Its battery and
wear arithmetic is its own, on purpose: the product is shown data that it did not make.
"""
