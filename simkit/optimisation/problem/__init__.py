"""What may move and what may not: free numbers, bounds, limits, and how a small move changes the fields.

In: a vessel and the names of its free numbers x. Out: a `Trial` at any x, with its body, notes (cents) and limits (mm
of room left), and the first-order changes of port matrices, dZ/dx, on meshes that move along.
"""
