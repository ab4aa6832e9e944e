"""The compiled loop called by the addresses of its arrays.

To hand over thirty arrays of records takes 10 to 30 us a call, as long as the loop takes for a minute of one skid; and
it is called again after every emission. The arrays stay where they are, so their addresses say the same in no time.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import types
from numba.extending import intrinsic
from numba.np import arrayobj

from monitor.compiled import IS_COMPILED, compiled
from monitor.engine import kernel, layout, layout_integrity, layout_signals, rollup
from monitor.engine.codes import ALARMS, EMISSIONS_A_TICK, FLUID_POINTS, MAX_SIGNALS, MAX_VESSELS
from monitor.engine.layout import Parameters, State
from monitor.engine.layout_integrity import LEAKS
from monitor.engine.layout_signals import ZEROS
from monitor.model import Rows

Array = npt.NDArray[Any]
FLOAT, INT32, INT16, INT64, BYTE = (np.dtype(t) for t in (np.float64, np.int32, np.int16, np.int64, np.uint8))
ROW_TYPES = (INT32, INT16, INT64, FLOAT, BYTE)
HOLDS, DELAYS = MAX_VESSELS + 1, 2


def _array_at(_typing, address, shape, item):  # type: ignore[no-untyped-def]
    """The contiguous array at an address. item: its dtype. numba's own `carray` needs the run time that our compiled
    code does without."""
    shapes = shape if isinstance(shape, types.BaseTuple) else [shape]
    kind = types.Array(item.dtype, len(shapes), "C")

    def build(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        where, extent, _ = arguments
        array = context.make_array(kind)(context, builder)
        sizes = [builder.extract_value(extent, k) for k in range(len(shapes))] if len(shapes) > 1 else [extent]
        strides = [context.get_constant(types.intp, context.get_abi_sizeof(context.get_data_type(kind.dtype)))]
        for size in reversed(sizes[1:]):
            strides.insert(0, builder.mul(strides[0], size))
        data = builder.inttoptr(where, array.data.type)
        populate(array, data=data, shape=sizes, strides=strides, itemsize=strides[-1], meminfo=None)
        return array._getvalue()

    return kind(types.intp, shape, item), build


populate: Any = arrayobj.populate_array
array_at: Any = intrinsic(_array_at)


@compiled
def run_at(state, parameters, rows, results, sizes, start):  # type: ignore[no-untyped-def]
    """`kernel.run` on arrays at addresses, each in the order of its fields. sizes: skids, fluids, rows, minutes,
    buckets of the trend."""
    skids, fluids, count = sizes[0], sizes[1], sizes[2]
    records = State(
        array_at(state[0], skids, layout.skid),
        array_at(state[1], (skids, MAX_SIGNALS), layout_signals.sensor),
        array_at(state[2], (skids, ALARMS), layout.alarm),
        array_at(state[3], skids, layout.minute),
        array_at(state[4], skids, layout.history),
        array_at(state[5], (skids, MAX_SIGNALS), layout_signals.health),
        array_at(state[6], skids, layout_signals.pair),
        array_at(state[7], (skids, ZEROS), layout_signals.zero),
        array_at(state[8], skids, layout_integrity.surge),
        array_at(state[9], skids, layout_integrity.path),
        array_at(state[10], (skids, HOLDS), layout_integrity.hold),
        array_at(state[11], (skids, LEAKS), layout_integrity.leak),
        array_at(state[12], skids, layout.loading),
        array_at(state[13], skids, layout.trace),
    )
    settings = Parameters(
        array_at(parameters[0], skids, layout.skid_parameters),
        array_at(parameters[1], (skids, MAX_SIGNALS), layout_signals.sensor_parameters),
        array_at(parameters[2], (skids, ALARMS), layout.alarm_parameters),
        array_at(parameters[3], (skids, MAX_SIGNALS), layout_signals.health_parameters),
        array_at(parameters[4], skids, layout_signals.pair_parameters),
        array_at(parameters[5], skids, layout_integrity.integrity_parameters),
        array_at(parameters[6], (skids, DELAYS), layout.alarm_parameters),
        array_at(parameters[7], (fluids, FLUID_POINTS), FLOAT),
        array_at(parameters[8], (fluids, FLUID_POINTS), FLOAT),
    )
    columns = (
        array_at(rows[0], count, INT32),
        array_at(rows[1], count, INT16),
        array_at(rows[2], count, INT64),
        array_at(rows[3], count, FLOAT),
        array_at(rows[4], count, BYTE),
    )
    emissions = array_at(results[0], EMISSIONS_A_TICK, layout.emission)
    minutes = array_at(results[1], sizes[3], rollup.closed_dtype)
    trend = array_at(results[2], sizes[4], rollup.trend_dtype)
    head = array_at(results[3], 1, rollup.head_dtype)
    return kernel.run(records, settings, columns, start, emissions, minutes, trend, head)


def addresses(arrays: tuple[Array, ...]) -> npt.NDArray[np.int64]:
    """Where arrays begin. ValueError for one whose items do not lie side by side."""
    if not all(array.flags.c_contiguous for array in arrays):
        raise ValueError("an array is not contiguous")
    return np.array([array.__array_interface__["data"][0] for array in arrays], np.int64)


class Loop:
    """`kernel.run` on arrays that stay: state, parameters, and results (emissions, minutes, trend, its head)."""

    def __init__(self, state: State, parameters: Parameters, results: tuple[Array, Array, Array, Array]) -> None:
        self._arrays = (state, parameters, results)
        self._fixed = addresses(state), addresses(parameters)
        self._results = addresses(results)
        self._sizes = np.array([state.skid.size, len(parameters.viscosity), 0, results[1].size, results[2].size])
        self._rows: tuple[Array, ...] = ()

    def take(self, which: npt.NDArray[np.int32], rows: Rows) -> None:
        """Rows of the skids `which` that the next calls go through."""
        columns = (which, rows.signal, rows.time, rows.value, rows.quality)
        self._rows = tuple(np.ascontiguousarray(c, kind) for c, kind in zip(columns, ROW_TYPES, strict=True))
        self._places = addresses(self._rows)
        self._sizes[2] = rows.size

    def run(self, start: int) -> tuple[int, int, int]:
        """As `kernel.run`, from row `start`."""
        if not IS_COMPILED:
            state, parameters, results = self._arrays
            found: tuple[int, int, int] = kernel.run(state, parameters, self._rows, start, *results)
            return found
        found = run_at(*self._fixed, self._places, self._results, self._sizes, start)
        return found
