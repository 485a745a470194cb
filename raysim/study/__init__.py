"""Studies: many runs of one scene, changed by a design, that survive the night.

>>> from raysim.study.compute import compute_study
>>> computed = compute_study("scenes/rear_or_corners.toml")  # doctest: +SKIP
>>> computed.data  # doctest: +SKIP
PosixPath('rear_or_corners_study/study.h5')
"""
