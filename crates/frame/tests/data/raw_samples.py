"""Prints sample values of a raw mosaic as an independent raw decoder (LibRaw, through rawpy) gives them.

    pip install rawpy==0.28.0
    python3 raw_samples.py ../../../../../shared/data/raw/colorchart.dng > colorchart_samples.tsv

Coordinates are those of the visible mosaic, whose origin is the active area's.
"""
import sys

import rawpy

with rawpy.imread(sys.argv[1]) as raw:
    codes = raw.raw_image_visible
    height, width = codes.shape
    print(f"# LibRaw {'.'.join(map(str, rawpy.libraw_version))}, visible {width} x {height}: column, row, colour, code")
    for i in range(200):
        x, y = (i * 7919) % width, (i * 104729) % height
        print(x, y, "RGBG"[raw.raw_color(y, x)], codes[y, x], sep="\t")
