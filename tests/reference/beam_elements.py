"""Stiffness and mass of a tensioned beam by cubic Hermite elements with consistent mass and
geometric stiffness (textbook element matrices), for clamped_span.py and fixed_sensors.py."""
import numpy as np
from scipy.sparse import coo_matrix


def matrices(tension, mass, stiffness, length, elements):
    """K and M over deflection and slope at every joint; tension and stiffness may be complex."""
    h = length / elements
    kb = stiffness / h**3 * np.array(
        [[12, 6*h, -12, 6*h], [6*h, 4*h*h, -6*h, 2*h*h],
         [-12, -6*h, 12, -6*h], [6*h, 2*h*h, -6*h, 4*h*h]])
    kg = tension / (30*h) * np.array(
        [[36, 3*h, -36, 3*h], [3*h, 4*h*h, -3*h, -h*h],
         [-36, -3*h, 36, -3*h], [3*h, -h*h, -3*h, 4*h*h]])
    me = mass * h / 420 * np.array(
        [[156, 22*h, 54, -13*h], [22*h, 4*h*h, 13*h, -3*h*h],
         [54, 13*h, 156, -22*h], [-13*h, -3*h*h, -22*h, 4*h*h]])
    base = 2*np.arange(elements)[:, None, None]
    i = np.broadcast_to(base + np.arange(4)[None, :, None], (elements, 4, 4)).ravel()
    j = np.broadcast_to(base + np.arange(4)[None, None, :], (elements, 4, 4)).ravel()
    size = 2*(elements + 1)
    K = coo_matrix((np.broadcast_to(kb + kg, (elements, 4, 4)).ravel(), (i, j)), (size, size)).tocsc()
    M = coo_matrix((np.broadcast_to(me, (elements, 4, 4)).ravel(), (i, j)), (size, size)).tocsc()
    return K, M
