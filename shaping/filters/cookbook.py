"""Second-order sections in the forms of the Audio EQ Cookbook.

Every function returns one section, shape (1, 6), ``[b0, b1, b2, 1, a1, a2]``, for
`scipy.signal.sosfilt`.

References
----------
.. [1] R. Bristow-Johnson, "Audio EQ Cookbook", W3C Group Note, 2021-06-08.
"""
