"""The problem: free numbers, bounds, limits, and the change of the fields for a small move.

In: a vessel and the names of its free numbers x. Out: a `Trial` at any x, with its body, notes (cents) and limits (mm
of room left), and the first-order changes of port matrices, dZ/dx, on meshes that move along.
"""
