"""Earthwork numerics shared by the steps: volumes, the grading programme, proof by iteration, ponding water.

Arrays in, arrays out; levels, lengths and heights in metres, volumes in cubic metres. No files, no CRS.
"""
