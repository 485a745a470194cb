"""A catalogue to start from: what could be bought for the room of `starter`."""

CATALOGUE_NAME = "scene_catalogue.toml"
CATALOGUE = """\
# What may be bought or is there already, for: raysim plan scene.toml
# Everything here is an example: put in what you can get, with its price in your money.
# Lengths as in the scene: metres, or "60cm". Take out what you don't want.

[limits]
budget = 500                   # or [300, 800] for two phases, each the sum up to its end
drilling = true                # false: only what stands or is glued
depth = "30cm"                 # from the wall at most, air gap included
# weight = 40                  # kg, of all together
# count = 8                    # things to put up at most

[items.panel_50]
kind = "panel"
size = [0.6, 1.2]              # width, height
layers = ["fabric 200", "porous 50mm glass wool 40kg/m3"]
fixing = "drilled"
cost = 40

[items.panel_100]              # with air behind it takes more of the lows
kind = "panel"
size = [0.6, 1.2]
layers = ["fabric 200", "porous 100mm glass wool 40kg/m3"]
gap = "50mm"
fixing = "drilled"
cost = 70

[items.ceiling_panel]          # overhead: into joists, with a second fixing of its own
kind = "cloud"
size = [0.6, 1.2]
layers = ["fabric 200", "porous 100mm glass wool 40kg/m3"]
gap = "50mm"
fixing = "hung"
cost = 80

# What you own costs nothing; the plan uses it where it helps.
# [items.old_tiles]
# kind = "tiles"
# size = [0.5, 0.5]
# tiles = [1, 2]               # columns, rows on one board
# layers = ["porous 50mm foam 8000"]
# fixing = "glued"
# owned = true
# have = 12
"""
