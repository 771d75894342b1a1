"""Stiffness and mass of a tensioned beam by cubic Hermite elements with consistent mass and
geometric stiffness (textbook element matrices), for clamped_span.py, fixed_sensors.py and
node_pattern.py; and the field of a span that a force drives, with a damper on."""
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu


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


def shapes(s, h):
    return np.array([1 - 3*s**2 + 2*s**3, h*(s - 2*s**2 + s**3), 3*s**2 - 2*s**3, h*(s**3 - s**2)])


class Field:
    """Displacement per newton at a frequency."""

    def __init__(self, K, M, length, elements, drive_m, damper_m, damper_n_per_m, omega):
        self.h = length / elements
        self.elements = elements
        size = K.shape[0]
        load = np.zeros(size, complex)
        e, w = self.weights(damper_m)
        joint = 2*e + np.arange(4)
        rows, columns = np.repeat(joint, 4), np.tile(joint, 4)
        damper = coo_matrix((damper_n_per_m * np.outer(w, w).ravel(), (rows, columns)), (size, size))
        D = K - omega**2 * M + damper.tocsc()
        e, w = self.weights(drive_m)
        load[2*e:2*e + 4] += w
        solution = splu(D[2:size - 2, 2:size - 2]).solve(load[2:size - 2])
        self.u = np.concatenate([[0, 0], solution, [0, 0]])

    def weights(self, x):
        e = min(int(x / self.h), self.elements - 1)
        return e, shapes(x / self.h - e, self.h)

    def __call__(self, x):
        e, w = self.weights(x)
        return w @ self.u[2*e:2*e + 4]
