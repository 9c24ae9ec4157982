"""Steps and variances by sparse algebra in the order of time, error states being unknowns like the
others. Time and memory are in proportion to the film's length (`block_arrow_cholesky`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import block_diag, csr_array, diags_array, eye_array, kron

from calibration.arrays import Array
from tracker.motion.model import correlated_errors
from tracker.motion.model.residuals import CameraEquations
from tracker.motion.model.unknowns import COMPONENTS, Setup
from tracker.motion.solver import block_arrow_cholesky
from tracker.motion.solver.covariance_root import with_prior
from tracker.motion.solver.dense_step import GaussNewtonStep
from tracker.motion.solver.elimination_order import Block, Order, elimination_order
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.linearization import NormalEquations


@dataclass(frozen=True)
class SparseStep(GaussNewtonStep):
    """A Gauss-Newton step, and the factor of the posterior's inverse covariance."""

    order: Order
    factor: block_arrow_cholesky.Factor
    scale: Array  # (count,) units of the factor's unknowns
    error_scale: tuple[Array, ...]  # (marks, knots) of its error states, by camera


@dataclass(frozen=True)
class BlockCovariance:
    """Posterior covariance wherever an instant couples unknowns, on B-spline coefficients.

    `error_states`, by camera: of both coordinates together, the variances (marks, knots) and the
    covariances with the next (marks, knots - 1).
    """

    covariance: Array  # (count, count), 0 where not known
    error_states: tuple[tuple[Array, Array], ...]


def solve_sparse(iterate: Iterate, normal: NormalEquations) -> SparseStep | None:
    """The step from an iterate, where `normal` was taken; its fixed unknowns stay. None where
    double precision doesn't hold it.
    """
    setup, sd = iterate.setup, iterate.sd
    order = elimination_order(
        setup, iterate.values, tuple(camera.rows.shape[2] for camera in normal.cameras)
    )
    whole, scale = with_prior(setup, normal.local, sd)
    sizes = tuple(_error_scale(camera) for camera in normal.cameras)
    matrix = _arrow(normal, order, whole, scale, sizes)
    factor = block_arrow_cholesky.factorize(matrix)
    if factor is None:
        return None
    right_side = _right_side(iterate, normal) * scale
    sides = _sides(normal, order, right_side, sizes)
    frozen, rows = _constraints(setup, iterate.fixed_mask)
    moving = factor
    if frozen.any():
        on = tuple(
            np.concatenate([frozen[b.spline], np.zeros(_error_count(normal, b), dtype=bool)])
            for b in order.blocks
        )
        on = (*on, frozen[order.border])
        found = block_arrow_cholesky.factorize(block_arrow_cholesky.fix_unknowns(matrix, on))
        if found is None:
            return None
        moving = found
        sides = tuple(np.where(p[:, None], 0.0, s) for p, s in zip(on, sides, strict=True))
    solution = block_arrow_cholesky.solve(moving, sides)
    if len(rows):
        solution = _constrain(moving, order, normal, solution, rows * scale)
    change = _change_in_jerk_basis(setup, order, solution, scale, sd)
    change[iterate.fixed_mask] = 0.0
    gain = sum(float(np.sum(s * m)) for s, m in zip(sides, solution, strict=True))
    return SparseStep(change, max(gain - _error_gain(normal), 0.0), order, factor, scale, sizes)


def variance_ratio(iterate: Iterate, step: SparseStep) -> Array:
    """Posterior over prior variance (count,) of all unknowns."""
    setup, sd = iterate.setup, iterate.sd
    splines, blocks, border = setup.spline_slices[-1].stop, step.order.blocks, step.order.border
    place = np.full(setup.count, len(blocks))  # block of each coefficient
    for k, block in enumerate(blocks):
        place[block.spline] = k
    jerk_coefficients = block_diag(
        [kron(body.basis.to_jerk_basis, eye_array(COMPONENTS)) for body in setup.bodies]
    )
    part, unknown = jerk_coefficients.nonzero()
    first = np.full(splines, len(blocks))
    np.minimum.at(first, part, place[unknown])
    turn = np.argsort(first, kind="stable")
    scaled = diags_array(1 / sd[:splines]) @ jerk_coefficients @ diags_array(step.scale[:splines])
    rows = csr_array(scaled.tocsr()[turn].T)
    inside = border[border < splines]

    def of_block(k: int) -> Array:
        if k == len(blocks):
            own = np.zeros((len(border), splines))
            own[: len(inside)] = rows[inside].toarray()
            return own
        own = np.zeros((step.factor.inverse[k].shape[0], splines))
        own[: len(blocks[k].spline)] = rows[blocks[k].spline].toarray()
        return own

    out = np.empty(setup.count)
    out[turn] = block_arrow_cholesky.variances(step.factor, of_block, first[turn])
    others = border >= splines
    out[border[others]] = np.sum(step.factor.corner**2, axis=0)[others]
    return out


def block_covariance(setup: Setup, step: SparseStep) -> BlockCovariance:
    """Posterior covariance within blocks, between neighbours and with the border."""
    found, order = block_arrow_cholesky.selected_inverse(step.factor), step.order
    covariance = np.zeros((setup.count, setup.count))
    error_states = [
        (np.zeros(s.shape), np.zeros((len(s), max(s.shape[1] - 1, 0)))) for s in step.error_scale
    ]
    covariance[np.ix_(order.border, order.border)] = found.corner
    for k, block in enumerate(order.blocks):
        n = len(block.spline)
        covariance[np.ix_(block.spline, block.spline)] = found.diagonal[k][:n, :n]
        covariance[np.ix_(order.border, block.spline)] = found.border[k][:, :n]
        covariance[np.ix_(block.spline, order.border)] = found.border[k][:, :n].T
        after = order.blocks[k + 1] if k + 1 < len(order.blocks) else None
        if after is not None:
            across = found.below[k][: len(after.spline), :n]
            covariance[np.ix_(after.spline, block.spline)] = across
            covariance[np.ix_(block.spline, after.spline)] = across.T
        _put_error_covariance(step, k, found, error_states)
    covariance *= step.scale
    covariance *= step.scale[:, None]
    scaled = []
    for (own, beside), size in zip(error_states, step.error_scale, strict=True):
        scaled.append((own * size**2, beside * size[:, 1:] * size[:, :-1]))
    return BlockCovariance(covariance, tuple(scaled))


def _error_scale(camera: CameraEquations) -> Array:
    """One over the root of the diagonal (marks, knots) of the error states' matrix; 0 for marks
    without them.
    """
    on = camera.factor[..., 0] > 0
    return np.where(on, 1 / np.sqrt(correlated_errors.normal_matrix(camera.factor)[0]), 0.0)


def _error_count(normal: NormalEquations, block: Block) -> int:
    return sum(
        2 * len(camera.factor) * (knots.stop - knots.start)
        for camera, knots in zip(normal.cameras, block.error_states, strict=True)
    )


def _arrow(
    normal: NormalEquations, order: Order, whole: Array, scale: Array, sizes: tuple[Array, ...]
) -> block_arrow_cholesky.Arrow:
    """The matrix in time's order, in units that make its diagonal 1."""
    blocks, border = order.blocks, order.border
    diagonal, below, sides = [], [], []
    beside = [
        correlated_errors.normal_matrix(camera.factor)[1] * size[:, 1:] * size[:, :-1]
        for camera, size in zip(normal.cameras, sizes, strict=True)
    ]
    for k, block in enumerate(blocks):
        n, m = len(block.spline), _error_count(normal, block)
        own = np.zeros((n + m, n + m))
        own[:n, :n] = whole[np.ix_(block.spline, block.spline)]
        own[n:, :n] = _cross(normal, block, block.spline, scale, sizes)
        own[:n, n:] = own[n:, :n].T
        _put_error_chain(own, normal, block, beside, n)
        diagonal.append(own)
        edge = np.zeros((len(border), n + m))
        edge[:, :n] = whole[np.ix_(border, block.spline)]
        edge[:, n:] = _cross(normal, block, border, scale, sizes).T
        sides.append(edge)
        if k + 1 == len(blocks):
            continue
        after = blocks[k + 1]
        a, b = len(after.spline), _error_count(normal, after)
        across = np.zeros((a + b, n + m))
        across[:a, :n] = whole[np.ix_(after.spline, block.spline)]
        across[a:, :n] = _cross(normal, after, block.spline, scale, sizes)
        across[:a, n:] = _cross(normal, block, after.spline, scale, sizes).T
        _put_link(across, normal, block, after, beside, (n, a))
        below.append(across)
    return block_arrow_cholesky.Arrow(
        tuple(diagonal), tuple(below), tuple(sides), whole[np.ix_(border, border)]
    )


def _cross(
    normal: NormalEquations,
    block: Block,
    unknowns: NDArray[np.int64],
    scale: Array,
    sizes: tuple[Array, ...],
) -> Array:
    """Between a block's error states and some unknowns (rows, n)."""
    out = []
    for camera, knots, size in zip(normal.cameras, block.error_states, sizes, strict=True):
        rows = np.zeros((len(camera.factor), 2, knots.stop - knots.start, len(unknowns)))
        at = np.full(len(scale), -1)
        at[camera.here] = np.arange(len(camera.here))
        on = at[unknowns] >= 0
        rows[..., on] = camera.rows[:, :, knots][..., at[unknowns[on]]]
        rows *= size[:, None, knots, None] * scale[unknowns]
        out.append(rows.reshape(rows.shape[0] * 2 * rows.shape[2], len(unknowns)))
    return np.concatenate(out) if out else np.zeros((0, len(unknowns)))


def _put_error_chain(
    own: Array, normal: NormalEquations, block: Block, beside: list[Array], at: int
) -> None:
    """The error states' matrices, from row `at` on."""
    for camera, knots, link in zip(normal.cameras, block.error_states, beside, strict=True):
        each = _places(at, len(camera.factor), knots)
        own[each, each] = 1.0
        one, next_ = each[..., :-1], each[..., 1:]
        own[one, next_] = own[next_, one] = link[:, None, _links(knots)]
        at += each.size


def _places(at: int, marks: int, knots: slice) -> NDArray[np.int64]:
    """Rows (marks, 2, knots) of a camera's error states, from `at` on."""
    n = knots.stop - knots.start
    return np.asarray(at + np.arange(2 * marks * n).reshape(marks, 2, n))


def _links(knots: slice) -> slice:
    """Of the elements beside the diagonal, those between two of these knots."""
    return slice(knots.start, max(knots.stop - 1, knots.start))


def _put_link(
    across: Array,
    normal: NormalEquations,
    block: Block,
    after: Block,
    beside: list[Array],
    at: tuple[int, int],
) -> None:
    """Between the last error states of a block and the first of the next."""
    column, row = at
    for camera, here, there, link in zip(
        normal.cameras, block.error_states, after.error_states, beside, strict=True
    ):
        own, others = (
            _places(k, len(camera.factor), knots) for k, knots in ((column, here), (row, there))
        )
        if own.size and others.size:
            across[others[..., 0], own[..., -1]] = link[:, None, here.stop - 1]
        column, row = column + own.size, row + others.size


def _put_error_covariance(
    step: SparseStep,
    k: int,
    found: block_arrow_cholesky.Arrow,
    error_states: list[tuple[Array, Array]],
) -> None:
    """Puts the error states' variances, from a block of the inverse, into `error_states`."""
    block, last = step.order.blocks[k], k + 1 == len(step.order.blocks)
    column = len(block.spline)
    row = 0 if last else len(step.order.blocks[k + 1].spline)
    for cam, (own, beside) in enumerate(error_states):
        here = block.error_states[cam]
        each = _places(column, len(own), here)
        own[:, here] = found.diagonal[k][each, each].sum(axis=1)
        beside[:, _links(here)] = found.diagonal[k][each[..., 1:], each[..., :-1]].sum(axis=1)
        column += each.size
        if last:
            continue
        next_ = _places(row, len(own), step.order.blocks[k + 1].error_states[cam])
        if each.size and next_.size:
            beside[:, here.stop - 1] = found.below[k][next_[..., 0], each[..., -1]].sum(axis=1)
        row += next_.size


def _right_side(iterate: Iterate, normal: NormalEquations) -> Array:
    """Right side (count,) of evidence and prior together; unknowns beside splines in prior sds."""
    out = normal.side.copy()
    setup, sd, away = iterate.setup, iterate.sd, iterate.standardized_values
    back = setup.weak_prior_gradient(iterate.values)
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        jerk_coefficients = (back[part] + away[part] / sd[part]).reshape(-1, COMPONENTS)
        out[part] -= (body.basis.to_jerk_basis.T @ jerk_coefficients).ravel()
    rest = np.arange(setup.spline_slices[-1].stop, setup.count)
    rest = rest[sd[rest] > 0]
    out[rest] -= away[rest] / sd[rest]
    return out


def _sides(
    normal: NormalEquations, order: Order, right_side: Array, sizes: tuple[Array, ...]
) -> tuple[Array, ...]:
    out = []
    for block in order.blocks:
        error_states = [
            (camera.error_side[:, :, knots] * size[:, None, knots]).ravel()
            for camera, knots, size in zip(normal.cameras, block.error_states, sizes, strict=True)
        ]
        out.append(np.concatenate([right_side[block.spline], *error_states])[:, None])
    return (*out, right_side[order.border][:, None])


def _error_gain(normal: NormalEquations) -> float:
    """Gain of the objective by the error states, the motion given."""
    total = 0.0
    for camera in normal.cameras:
        if camera.rows.size:
            side = camera.error_side[..., None].copy()
            correlated_errors.whiten(camera.factor, side)
            total += float(np.sum(side**2))
    return total


def _constraints(setup: Setup, fixed_mask: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Array]:
    """Mask of B-spline coefficients (count,) of components that are fixed as a whole, and the rows
    (k, count) that give each further fixed coefficient of the jerk basis.
    """
    frozen, rows = np.zeros(setup.count, dtype=bool), []
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        mine = fixed_mask[part].reshape(-1, COMPONENTS)
        grid = np.arange(part.start, part.stop).reshape(-1, COMPONENTS)
        frozen[part] = np.broadcast_to(mine.all(axis=0), mine.shape).ravel()
        for k, component in np.argwhere(mine & ~mine.all(axis=0)).tolist():
            row = np.zeros(setup.count)
            row[grid[:, component]] = body.basis.to_jerk_basis[k]
            rows.append(row)
    return frozen, np.array(rows).reshape(len(rows), setup.count)


def _constrain(
    f: block_arrow_cholesky.Factor,
    order: Order,
    normal: NormalEquations,
    solution: tuple[Array, ...],
    rows: Array,
) -> tuple[Array, ...]:
    """The solution on which some combinations of unknowns, `rows` (k, count), are 0."""
    sides = [
        np.concatenate([rows[:, b.spline].T, np.zeros((_error_count(normal, b), len(rows)))])
        for b in order.blocks
    ]
    sides.append(rows[:, order.border].T)
    by = block_arrow_cholesky.solve(f, tuple(sides))
    square = sum(s.T @ x for s, x in zip(sides, by, strict=True))
    off = sum(s.T @ x for s, x in zip(sides, solution, strict=True))
    force = np.linalg.solve(np.asarray(square), np.asarray(off))
    return tuple(m - x @ force for m, x in zip(solution, by, strict=True))


def _change_in_jerk_basis(
    setup: Setup, order: Order, solution: tuple[Array, ...], scale: Array, sd: Array
) -> Array:
    """A solution's change of the unknowns (count,), prior sds."""
    change = np.zeros(setup.count)
    for block, found in zip(order.blocks, solution[:-1], strict=True):
        change[block.spline] = found[: len(block.spline), 0]
    change[order.border] = solution[-1][:, 0]
    for body, part in zip(setup.bodies, setup.spline_slices, strict=True):
        coefficients = (change[part] * scale[part]).reshape(-1, COMPONENTS)
        change[part] = (body.basis.to_jerk_basis @ coefficients).ravel() / sd[part]
    return change
