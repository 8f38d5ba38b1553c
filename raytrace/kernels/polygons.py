"""Convex polygons in a plane: cutting, subtracting, and exact areas within a disc or a capsule.

Polygons are rows of one array `polys` (ROWS, MAX_CORNERS, 2), corners counter-clockwise, each
known by its row and its count of corners. Rows instead of slices: a slice would cost the loops
two changes of a reference count, more than the sums they do.
"""

from math import atan2, sqrt

import numpy as np

from raytrace.kernels.compiled import inlined, kernel

MAX_CORNERS = 96
MAX_PIECES = 256
WORK = 0  # three rows that the functions here overwrite
OUTLINE = 3  # rows for their callers
SHADOW = 4
IMAGE = 5
CLEAR = 6
GATE = 7
PIECES = 8  # the rest: pieces, whose areas add up with their signs
ROWS = PIECES + MAX_PIECES
# Shadows that share an edge leave corners next to each other; an edge between them has no
# direction worth the name, and no side. Left out, it moves no area that matters. [m²]
NO_EDGE = 1e-20


@kernel
def area(polys, p, count):
    """Area of a polygon."""
    total = 0.0
    for k in range(1, count - 1):
        ax = polys[p, k, 0] - polys[p, 0, 0]
        ay = polys[p, k, 1] - polys[p, 0, 1]
        bx = polys[p, k + 1, 0] - polys[p, 0, 0]
        by = polys[p, k + 1, 1] - polys[p, 0, 1]
        total += ax * by - ay * bx
    return 0.5 * total


@kernel
def cut(polys, p, count, line, left, right):
    """Cut a polygon along the line (px, py, dx, dy): through a point, with a direction.

    Fills rows `left` and `right` with what lies on either side; returns their counts, -1 twice if
    there is no room.
    """
    px, py, dx, dy = line
    n_left = 0
    n_right = 0
    if count == 0:
        return 0, 0
    if count + 2 > MAX_CORNERS:
        return -1, -1
    qx = polys[p, count - 1, 0]
    qy = polys[p, count - 1, 1]
    q_side = dx * (qy - py) - dy * (qx - px)
    for k in range(count):
        x = polys[p, k, 0]
        y = polys[p, k, 1]
        side = dx * (y - py) - dy * (x - px)
        if (side > 0.0 and q_side < 0.0) or (side < 0.0 and q_side > 0.0):
            t = q_side / (q_side - side)
            mx = qx + t * (x - qx)
            my = qy + t * (y - qy)
            polys[left, n_left, 0] = mx
            polys[left, n_left, 1] = my
            n_left += 1
            polys[right, n_right, 0] = mx
            polys[right, n_right, 1] = my
            n_right += 1
        if side >= 0.0:
            polys[left, n_left, 0] = x
            polys[left, n_left, 1] = y
            n_left += 1
        if side <= 0.0:
            polys[right, n_right, 0] = x
            polys[right, n_right, 1] = y
            n_right += 1
        qx = x
        qy = y
        q_side = side
    # a polygon that only touches the line leaves a corner or an edge on the other side
    return (n_left if n_left > 2 else 0), (n_right if n_right > 2 else 0)


@kernel
def intersect(polys, p, count, q, q_count, out):
    """Intersection of two convex polygons in row `out`; returns its count, -1 for no room."""
    n = count
    for k in range(count):
        polys[out, k, 0] = polys[p, k, 0]
        polys[out, k, 1] = polys[p, k, 1]
    for k in range(q_count):
        j = k + 1 if k + 1 < q_count else 0
        dx = polys[q, j, 0] - polys[q, k, 0]
        dy = polys[q, j, 1] - polys[q, k, 1]
        if dx * dx + dy * dy < NO_EDGE:
            continue
        inside = True
        for i in range(n):
            if (
                dx * (polys[out, i, 1] - polys[q, k, 1]) - dy * (polys[out, i, 0] - polys[q, k, 0])
                < 0.0
            ):
                inside = False
                break
        if inside:
            continue
        line = (polys[q, k, 0], polys[q, k, 1], dx, dy)
        n_left, _ = cut(polys, out, n, line, WORK, WORK + 1)
        if n_left <= 0:
            return n_left
        n = n_left
        for i in range(n):
            polys[out, i, 0] = polys[WORK, i, 0]
            polys[out, i, 1] = polys[WORK, i, 1]
    return n


@kernel
def overlap(polys, p, count, a, b, out):
    """Intersection of a convex polygon with itself moved by t = (a, b), in row `out`.

    The polygon must look the same from the origin both ways. Returns the count, 0 for nothing.

    An edge of the one and its like of the other have the same normal n; seen from t / 2 the nearer
    lies at h - |n · t| / 2 where n · x ≤ h is the polygon's. Which of these edges count: the
    corners n / h of the polar dual's hull, found by Graham's scan from the furthest one.
    """
    dual, hull = WORK, WORK + 1
    first = 0
    furthest = 0.0
    for k in range(count):
        j = k + 1 if k + 1 < count else 0
        nx = polys[p, j, 1] - polys[p, k, 1]
        ny = polys[p, k, 0] - polys[p, j, 0]
        h = nx * polys[p, k, 0] + ny * polys[p, k, 1] - 0.5 * abs(nx * a + ny * b)
        if h <= 0.0:
            return 0
        x = nx / h
        y = ny / h
        polys[dual, k, 0] = x
        polys[dual, k, 1] = y
        far = x * x + y * y
        if far > furthest:
            furthest = far
            first = k
    n = 0
    for i in range(count + 1):
        k = first + i if first + i < count else first + i - count
        x = polys[dual, k, 0]
        y = polys[dual, k, 1]
        while n > 1:
            bx = polys[hull, n - 1, 0]
            by = polys[hull, n - 1, 1]
            along = (bx - polys[hull, n - 2, 0]) * (y - by)
            if along > (by - polys[hull, n - 2, 1]) * (x - bx):
                break
            n -= 1
        polys[hull, n, 0] = x
        polys[hull, n, 1] = y
        n += 1
    n -= 1  # the first again
    for k in range(n):
        x = polys[hull, k, 0]
        y = polys[hull, k, 1]
        bx = polys[hull, k + 1, 0]
        by = polys[hull, k + 1, 1]
        det = x * by - y * bx
        polys[out, k, 0] = (by - y) / det + 0.5 * a
        polys[out, k, 1] = (x - bx) / det + 0.5 * b
    return n


@kernel
def subtract(polys, counts, signs, n_pieces, q, q_count):
    """Take convex polygon q away from each piece, in place.

    A piece that q overlaps is cut along each of q's edges in turn: what lies outside the edge is
    a piece of the rest, what lies inside goes on to the next edge and in the end is dropped.
    Returns how many pieces there are, or -1 if there is no room for them.
    """
    n_out = n_pieces
    for k in range(n_pieces):
        count = counts[k]
        if count == 0:
            continue
        piece = PIECES + k
        if apart(polys, piece, count, q, q_count) or apart(polys, q, q_count, piece, count):
            continue
        inner, other, outer = WORK, WORK + 1, WORK + 2
        n_inner = count
        for i in range(count):
            polys[inner, i, 0] = polys[piece, i, 0]
            polys[inner, i, 1] = polys[piece, i, 1]
        counts[k] = 0
        free = k  # the first outer part takes the old piece's place
        for e in range(q_count):
            j = e + 1 if e + 1 < q_count else 0
            dx = polys[q, j, 0] - polys[q, e, 0]
            dy = polys[q, j, 1] - polys[q, e, 1]
            if dx * dx + dy * dy < NO_EDGE:
                continue
            line = (polys[q, e, 0], polys[q, e, 1], dx, dy)
            n_left, n_right = cut(polys, inner, n_inner, line, other, outer)
            if n_left < 0:
                return -1
            if n_right > 0:
                if free < 0:
                    if n_out >= MAX_PIECES:
                        return -1
                    free = n_out
                    signs[free] = signs[k]
                    n_out += 1
                for i in range(n_right):
                    polys[PIECES + free, i, 0] = polys[outer, i, 0]
                    polys[PIECES + free, i, 1] = polys[outer, i, 1]
                counts[free] = n_right
                free = -1
            n_inner = n_left
            if n_inner == 0:
                break
            inner, other = other, inner
    return n_out


@kernel
def apart(polys, p, count, q, q_count):
    """Whether an edge of p has all of q on its outside."""
    for k in range(count):
        j = k + 1 if k + 1 < count else 0
        dx = polys[p, j, 0] - polys[p, k, 0]
        dy = polys[p, j, 1] - polys[p, k, 1]
        if dx * dx + dy * dy < NO_EDGE:
            continue
        outside = True
        for i in range(q_count):
            if (
                dx * (polys[q, i, 1] - polys[p, k, 1]) - dy * (polys[q, i, 0] - polys[p, k, 0])
                > 0.0
            ):
                outside = False
                break
        if outside:
            return True
    return False


@inlined
def sector(ax, ay, bx, by, half_r2):
    """Signed area of the disc's sector between the directions to a and to b."""
    return half_r2 * atan2(ax * by - ay * bx, ax * bx + ay * by)


@kernel
def area_in_disc(polys, p, count, cx, cy, R):
    """Area of a polygon's part within a disc: triangles and sectors over its edges, exact."""
    total = 0.0
    r2 = R * R
    half_r2 = 0.5 * r2
    ax = polys[p, count - 1, 0] - cx
    ay = polys[p, count - 1, 1] - cy
    a2 = ax * ax + ay * ay
    for k in range(count):
        bx = polys[p, k, 0] - cx
        by = polys[p, k, 1] - cy
        b2 = bx * bx + by * by
        if a2 <= r2 and b2 <= r2:
            total += 0.5 * (ax * by - ay * bx)
        else:
            dx = bx - ax
            dy = by - ay
            dd = dx * dx + dy * dy
            ad = ax * dx + ay * dy
            q = ad * ad - dd * (a2 - r2)
            if q <= 0.0:
                total += sector(ax, ay, bx, by, half_r2)
            else:
                root = sqrt(q)
                t1 = (-ad - root) / dd
                t2 = (-ad + root) / dd
                if t2 <= 0.0 or t1 >= 1.0:
                    total += sector(ax, ay, bx, by, half_r2)
                else:
                    x1, y1, x2, y2 = ax, ay, bx, by
                    if t1 > 0.0:
                        x1 = ax + t1 * dx
                        y1 = ay + t1 * dy
                        total += sector(ax, ay, x1, y1, half_r2)
                    if t2 < 1.0:
                        x2 = ax + t2 * dx
                        y2 = ay + t2 * dy
                        total += sector(x2, y2, bx, by, half_r2)
                    total += 0.5 * (x1 * y2 - y1 * x2)
        ax = bx
        ay = by
        a2 = b2
    return total


@kernel
def area_in_capsule(polys, p, count, mx, my, R):
    """Area of a polygon's part within a disc about the origin swept along (mx, my).

    The strip between the two centres is a rectangle; before and after it lie half discs.
    """
    length = sqrt(mx * mx + my * my)
    if length < 1e-9 * R:
        return area_in_disc(polys, p, count, 0.0, 0.0, R)
    ex = mx / length
    ey = my / length
    low_x = np.inf
    high_x = -np.inf
    low_y = np.inf
    high_y = -np.inf
    q = WORK + 2
    for k in range(count):
        x = polys[p, k, 0] * ex + polys[p, k, 1] * ey
        y = polys[p, k, 1] * ex - polys[p, k, 0] * ey
        polys[q, k, 0] = x
        polys[q, k, 1] = y
        low_x = min(low_x, x)
        high_x = max(high_x, x)
        low_y = min(low_y, y)
        high_y = max(high_y, y)
    if low_x >= length + R or high_x <= -R or low_y >= R or high_y <= -R:
        return 0.0
    total = 0.0
    before, rest = WORK, WORK + 1
    n_before, n_rest = cut(polys, q, count, (0.0, 0.0, 0.0, 1.0), before, rest)
    if n_before > 0:
        total += area_in_disc(polys, before, n_before, 0.0, 0.0, R)
    if n_rest > 0:
        n_middle, n_after = cut(polys, rest, n_rest, (length, 0.0, 0.0, 1.0), before, q)
        if n_after > 0:
            total += area_in_disc(polys, q, n_after, length, 0.0, R)
        if n_middle > 0:
            n_middle, _ = cut(polys, before, n_middle, (0.0, -R, 1.0, 0.0), rest, q)
            if n_middle > 0:
                _, n_middle = cut(polys, rest, n_middle, (0.0, R, 1.0, 0.0), before, q)
                if n_middle > 0:
                    total += area(polys, q, n_middle)
    return total
