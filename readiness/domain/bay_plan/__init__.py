"""Which bank charges on which bay of a depot, from when to when: the problem, a plan at once, its proof, and a checker."""
