"""May a battery, a chemical, a lamp, an engine go by AIR, ROAD, SEA or ROAD_US: decision support, never a classification.

`batteries.decide_batteries` answers many records at once, `answers.decide_item` one item in words, `unit.judge_unit` a whole
unit, `turn_round.turn_rounds` what would change a no. A trained person classifies and signs; the carrier may refuse.
"""
