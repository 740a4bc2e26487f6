"""General-purpose detectors with a fair flattening before them: what peers see, and how they are asked.

Every detector gets the same relative picture: luminance over its own background, turned over so that shadows stand up,
in units of its own robust noise. A setting is a name and a function from that picture to (x, y, width) in pixels, pixel
centres at .5. Widths are told where the method has one; else the width of its kernel.
"""

import cv2
import numpy as np
import sep
from astropy.stats import sigma_clipped_stats
from photutils.detection import DAOStarFinder
from skimage.feature import blob_dog, blob_log

FWHM = 2.3548  # of a Gaussian, in its deviations


def linear(picture):
    top = np.iinfo(picture.dtype).max
    coded = np.arange(top + 1, dtype=np.float32) / top
    table = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    light = table.astype(np.float32)[picture]
    return light if light.ndim == 2 else light @ np.float32([0.2126, 0.7152, 0.0722])


def flattened(light, mesh):
    """Relative loss of light in units of its noise, and that noise: background by the source extractor's own mesh."""
    light = np.ascontiguousarray(light, np.float32)
    background = sep.Background(light, bw=mesh, bh=mesh, fw=3, fh=3).back()
    loss = 1 - light / np.maximum(background, 1e-4)
    _, _, noise = sigma_clipped_stats(loss[::7, ::7], sigma=3, maxiters=5)
    return np.ascontiguousarray(loss / max(noise, 1e-9), np.float32), float(noise)


def disc(width):
    reach = int(width / 2) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.clip(width / 2 + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)


def extraction(bound, width):
    def run(loss):
        found = sep.extract(loss, bound, err=1.0, minarea=5, filter_kernel=disc(width), filter_type="matched")
        return [(o["x"] + 0.5, o["y"] + 0.5, 2 * np.sqrt(max(o["npix"], 1) / np.pi)) for o in found]

    return run


def stars(bound, width):
    def run(loss):
        found = DAOStarFinder(threshold=bound, fwhm=width, sharpness_range=(-9, 9), roundness_range=(-9, 9))(loss)
        return [] if found is None else [(r["x_centroid"] + 0.5, r["y_centroid"] + 0.5, width) for r in found]

    return run


def laplacian(bound, least, most):
    def run(loss):
        found = blob_log(loss, min_sigma=least, max_sigma=most, num_sigma=6, threshold=bound, log_scale=True)
        return [(c + 0.5, r + 0.5, 2 * np.sqrt(2) * s) for r, c, s in found]

    return run


def differences(bound, least, most):
    def run(loss):
        found = blob_dog(loss, min_sigma=least, max_sigma=most, threshold=bound)
        return [(c + 0.5, r + 0.5, 2 * np.sqrt(2) * s) for r, c, s in found]

    return run


def simple(step, blur, area):
    def run(loss):
        soft = cv2.GaussianBlur(loss, (0, 0), blur) if blur else loss
        # 8 bits: 3 deviations of the softened noise below the ground to 30 above it.
        _, _, noise = sigma_clipped_stats(soft[::7, ::7], sigma=3, maxiters=5)
        grey = np.clip((soft / noise + 3) / 33 * 255, 0, 255).astype(np.uint8)
        p = cv2.SimpleBlobDetector_Params()
        p.minThreshold, p.maxThreshold, p.thresholdStep = (3 + step) / 33 * 255, 255, 12
        p.minRepeatability, p.minDistBetweenBlobs = 1, 4
        p.filterByColor, p.blobColor = True, 255
        p.filterByArea, p.minArea, p.maxArea = True, area, 1e5
        p.filterByCircularity = p.filterByConvexity = p.filterByInertia = False
        return [(k.pt[0] + 0.5, k.pt[1] + 0.5, k.size) for k in cv2.SimpleBlobDetector_create(p).detect(grey)]

    return run


def grid(widths, bounds, blobs):
    """Every method with every setting: `widths` are those shadows have, `bounds` in deviations after the method's own
    filter, `blobs` in the units of scale-space maxima."""
    least, most = min(widths) / FWHM, max(widths) / FWHM
    for width in widths:
        for bound in bounds:
            yield "source extraction (sep)", f"{bound} sigma, disc of {width} px", extraction(bound, width)
            yield "star finder (photutils)", f"{bound} sigma, {width} px", stars(bound, width)
    for bound in blobs:
        yield "Laplacian of Gaussian (scikit-image)", f"bound {bound}", laplacian(bound, least, most)
        yield "difference of Gaussians (scikit-image)", f"bound {bound}", differences(bound, least, most)
    for step in bounds:
        for blur in (0, 2, 5):
            yield "blob detector (OpenCV)", f"{step} sigma, softened {blur} px", simple(step, blur, 6)
