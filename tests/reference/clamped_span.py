"""Natural frequencies of a tensioned beam between clamps, by finite elements.

Writes clamped_span.csv. An independent check of the closed frequency equation:
cubic Hermite beam elements with consistent mass and geometric stiffness
(textbook element matrices), eigenvalues by shift-invert Lanczos. Needs NumPy
and SciPy (made with numpy 2.4.6, scipy 1.17.1).

    python3 clamped_span.py > clamped_span.csv
"""
import numpy as np
from scipy.sparse.linalg import eigsh

from beam_elements import matrices

# T N, m kg/m, EI N m2, L m, modes, elements. The first two are invented spans of usual
# size, the third is short and stiff so that both clamps feel each other.
CASES = [
    (18000.0, 0.98, 180.0, 36.0, 45, 700),
    (34500.0, 1.33, 1504.0, 48.1, 25, 350),
    (500.0, 1.2, 40.0, 1.5, 6, 100),
]


def frequencies(tension, mass, stiffness, length, modes, elements):
    K, M = matrices(tension, mass, stiffness, length, elements)
    free = np.arange(2, K.shape[0] - 2)
    K, M = K[free][:, free], M[free][:, free]
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
