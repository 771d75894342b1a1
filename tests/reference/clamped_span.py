"""Natural frequencies of a tensioned beam between clamps, by finite elements.

Writes clamped_span.csv. An independent check of the closed frequency equation:
cubic Hermite beam elements with consistent mass and geometric stiffness
(textbook element matrices), eigenvalues by shift-invert Lanczos. Needs NumPy
and SciPy (made with numpy 2.4.6, scipy 1.17.1).

    python3 clamped_span.py > clamped_span.csv
"""
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import eigsh

# T N, m kg/m, EI N m2, L m, modes, elements. The first two are invented spans of usual
# size, the third is short and stiff so that both clamps feel each other.
CASES = [
    (18000.0, 0.98, 180.0, 36.0, 45, 700),
    (34500.0, 1.33, 1504.0, 48.1, 25, 350),
    (500.0, 1.2, 40.0, 1.5, 6, 100),
]


def frequencies(tension, mass, stiffness, length, modes, elements):
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
    i, j, k, m = [], [], [], []
    for e in range(elements):
        for a in range(4):
            for b in range(4):
                i.append(2*e + a)
                j.append(2*e + b)
                k.append((kb + kg)[a, b])
                m.append(me[a, b])
    size = 2*(elements + 1)
    free = np.arange(2, size - 2)
    K = coo_matrix((k, (i, j)), (size, size)).tocsc()[free][:, free]
    M = coo_matrix((m, (i, j)), (size, size)).tocsc()[free][:, free]
    values = eigsh(K, k=modes, M=M, sigma=0, which="LM", return_eigenvectors=False)
    return np.sqrt(np.sort(values)) / (2*np.pi)


print("tension_n,mass_kg_per_m,bending_stiffness_n_m2,length_m,harmonic,frequency_hz")
for case in CASES:
    coarse = frequencies(*case)
    fine = frequencies(*case[:5], 2*case[5])
    # Converged: halving the elements must not move a printed digit that the test uses.
    assert np.max(np.abs(fine/coarse - 1)) < 2e-6, np.max(np.abs(fine/coarse - 1))
    for n, f in enumerate(fine, 1):
        print(",".join(repr(v) for v in case[:4]) + f",{n},{f:.9f}")
