"""The transport class of a unit: what its packed forms fit, what may lift, tow and bear them, what the law says per mode.

`measures.load_of` turns measures and papers into a load, `fleet.class_of_fleet` answers many units and all conveyances in
arrays, `fleet.carried_by` one pair from the same arrays. Decision support: the trained person and the carrier decide.
"""
