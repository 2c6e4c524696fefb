"""What a unit can do at a site, and how long the way there is: demand, treatment, sun and energy, distances, routes.

Formulas are numbered as in `reference/water_energy_sites.md`. All of it is decision support: the maker's manual, a jar test,
a surveyed route and the carrier decide.
"""
