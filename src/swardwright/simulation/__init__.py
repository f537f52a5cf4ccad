"""The invented site: turf and plants rendered, a robot with errors, heat, wilting and regrowth.

Nothing here is imported by the steps; the rest of the program sees only recordings and the ``Robot`` protocol.
"""
