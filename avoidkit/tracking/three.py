"""Arithmetic of three components, in loops: numpy's expressions of whole arrays take far longer to compile."""

import numpy as np

from avoidkit.jit import compiled


@compiled
def inverse3(S):
    """Inverse and determinant of a symmetric positive (3, 3) matrix."""
    out = np.empty((3, 3))
    out[0, 0] = S[1, 1] * S[2, 2] - S[1, 2] * S[2, 1]
    out[0, 1] = S[0, 2] * S[2, 1] - S[0, 1] * S[2, 2]
    out[0, 2] = S[0, 1] * S[1, 2] - S[0, 2] * S[1, 1]
    out[1, 0] = S[1, 2] * S[2, 0] - S[1, 0] * S[2, 2]
    out[1, 1] = S[0, 0] * S[2, 2] - S[0, 2] * S[2, 0]
    out[1, 2] = S[0, 2] * S[1, 0] - S[0, 0] * S[1, 2]
    out[2, 0] = S[1, 0] * S[2, 1] - S[1, 1] * S[2, 0]
    out[2, 1] = S[0, 1] * S[2, 0] - S[0, 0] * S[2, 1]
    out[2, 2] = S[0, 0] * S[1, 1] - S[0, 1] * S[1, 0]
    determinant = S[0, 0] * out[0, 0] + S[0, 1] * out[1, 0] + S[0, 2] * out[2, 0]
    for a in range(3):
        for b in range(3):
            out[a, b] /= determinant
    return out, determinant


@compiled
def widened(HPH, R):
    """HPH + diag(R), (3, 3)."""
    S = np.empty((3, 3))
    for a in range(3):
        for b in range(3):
            S[a, b] = HPH[a, b] + R[a] if a == b else HPH[a, b]
    return S


@compiled
def added(a, b):
    """Sum of two (3,) arrays, in a loop."""
    out = np.empty(3)
    for k in range(3):
        out[k] = a[k] + b[k]
    return out
