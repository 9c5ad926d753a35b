"""Plane projective geometry of a rectangle seen by a camera.

Corner order everywhere: top-left, top-right, bottom-right, bottom-left of the
active area, as (x, y) in pixels of the upright photo (pixel centres at integers).
"""

import numpy as np

from panelvision.arrays import FloatArray


def homography(source: FloatArray, target: FloatArray) -> FloatArray:
    """The (3, 3) projective map that takes four points to four points.

    Solves the eight linear equations of the direct linear transform with the
    points first centred and scaled (Hartley 1997, normalised DLT), H[2, 2] = 1
    up to the normalisation.

    Parameters
    ----------
    source, target : ndarray of shape (4, 2)

    Raises
    ------
    ValueError
        When three of the points lie on one line.
    """
    a, norm_a = _normalised(source)
    b, norm_b = _normalised(target)
    rows = []
    for (x, y), (u, v) in zip(a, b, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    for points in (a, b):
        for left_out in range(4):
            (x0, y0), (x1, y1), (x2, y2) = np.delete(points, left_out, axis=0)
            if abs((x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)) < 1e-9:
                raise ValueError("corners: three of the four points lie on one line")
    vt = np.linalg.svd(np.array(rows))[2]
    inner = vt[-1].reshape(3, 3)
    full = np.linalg.inv(norm_b) @ inner @ norm_a
    return full / full[2, 2]


def _normalised(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    points = np.asarray(points, dtype=np.float64)
    centre = points.mean(axis=0)
    spread = np.sqrt(((points - centre) ** 2).sum(axis=1).mean())
    if not np.isfinite(spread) or spread <= 0:
        raise ValueError("corners: the four points must be finite and distinct")
    scale = np.sqrt(2) / spread
    norm = np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]])
    return (points - centre) * scale, norm


def project(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Points of shape (..., 2) through a (3, 3) projective map."""
    points = np.asarray(points, dtype=np.float64)
    u = points @ matrix[:, :2].T + matrix[:, 2]
    return u[..., :2] / u[..., 2:]


def unit_square_to(corners: FloatArray) -> FloatArray:
    """The (3, 3) map from fractions of the active area (0..1) to photo pixels."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float64)
    return homography(square, np.asarray(corners, dtype=np.float64))


def is_convex(corners: FloatArray) -> bool:
    """Whether four corners make a convex quadrilateral run through clockwise on the screen."""
    p = np.asarray(corners, dtype=np.float64)
    if not np.isfinite(p).all():
        return False
    edge = np.roll(p, -1, axis=0) - p
    after = np.roll(edge, -1, axis=0)
    with np.errstate(over="ignore", invalid="ignore"):
        turn = edge[:, 0] * after[:, 1] - edge[:, 1] * after[:, 0]
    return bool(np.all(turn > 0))


def area(corners: FloatArray) -> float:
    """Area in square pixels of a polygon (n, 2), shoelace formula."""
    x, y = np.asarray(corners, dtype=np.float64).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def focal_and_aspect(
    corners: FloatArray, principal_point: tuple[float, float]
) -> tuple[float, float] | None:
    """Focal length in pixels and width / height of a rectangle from its four corners.

    Z. Zhang and L. He, "Whiteboard scanning and image enhancement", Microsoft
    Research MSR-TR-03-39, section on the aspect ratio. Needs perspective in
    both directions.

    Returns
    -------
    (f, ratio), or None when the view is too near to frontal, or tilted about one
    axis only, so that the focal length cannot be told.
    """
    n2, n3 = _sides(corners, principal_point)
    if abs(n2[2]) < 1e-6 or abs(n3[2]) < 1e-6:
        return None
    f_squared = -(n2[0] * n3[0] + n2[1] * n3[1]) / (n2[2] * n3[2])
    if not np.isfinite(f_squared) or f_squared <= 0:
        return None
    ratio = aspect_with_focal(corners, float(np.sqrt(f_squared)), principal_point)
    return float(np.sqrt(f_squared)), ratio


def aspect_with_focal(
    corners: FloatArray, focal: float, principal_point: tuple[float, float]
) -> float:
    """Width / height of a rectangle from its corners when the focal length (pixels) is known.

    Same source as :func:`focal_and_aspect`.
    """
    n2, n3 = _sides(corners, principal_point)
    weight = np.array([1 / focal**2, 1 / focal**2, 1.0])
    return float(np.sqrt(np.dot(n2 * weight, n2) / np.dot(n3 * weight, n3)))


def _sides(
    corners: FloatArray, principal_point: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """The rectangle's two sides from its first corner, up to a common factor: n2, n3 there."""
    p = np.asarray(corners, dtype=np.float64) - np.asarray(principal_point, dtype=np.float64)
    m1, m2, m4, m3 = p
    all_but_2, all_but_3 = _turn(m1, m4, m3), _turn(m1, m4, m2)
    with np.errstate(all="ignore"):
        k2 = all_but_2 / _turn(m2, m4, m3)
        k3 = all_but_3 / _turn(m3, m4, m2)
    return np.append(k2 * m2 - m1, k2 - 1), np.append(k3 * m3 - m1, k3 - 1)


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> np.float64:
    """Determinant of three points (x, y, 1): twice the area that they run round."""
    turn: np.float64 = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    return turn
