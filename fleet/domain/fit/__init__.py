"""By which conveyance a packed form travels: what it fits, what bears, lifts and tows it, with the margin of every check.

`answers.answer_fleet` answers many loads and all conveyances in arrays, `answers.answer_one` the same for one load and one
conveyance. Decision support: the carrier, the plate, the loading and flight manuals decide.
"""
