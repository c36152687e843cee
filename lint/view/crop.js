// The crop box: six grips that move its sides, by hand or by arrow keys. It belongs to the first part and its coordinates.

const SIDES = [['left', 'right'], ['front', 'back'], ['lower', 'upper']];

// sizeOf() is the size of the part; onScreen(at) where a point of it is on the canvas, in CSS pixels, or null.
function cropOn({ tags, sizeOf, onScreen, ask }) {
  let box = null, told = null;

  function gripAt({ axis, end }) {
    const at = times(add(box.min, box.max), 0.5);
    at[axis] = box[end][axis];
    return at;
  }

  return {
    box: () => box,
    gripAt,
    set(wish, onChange) {
      box = wish && { min: [...wish.min], max: [...wish.max] };
      told = onChange;
      tags.setGrips(box ? SIDES.flatMap((names, axis) => names.map((name, k) => ({ axis, end: k ? 'max' : 'min', name }))) : []);
      ask();
    },
    // steps of half a hundredth of the part, or pixels dragged across the canvas
    move(grip, { steps = 0, across = null }) {
      const at = gripAt(grip), size = sizeOf();
      let by = steps * size * 0.005;
      if (across) {
        const on = [...at];
        on[grip.axis] += 0.01 * size;
        const a = onScreen(at), b = onScreen(on);
        if (!a || !b) return;
        const way = [b[0] - a[0], b[1] - a[1]], square = way[0] ** 2 + way[1] ** 2;
        by = square > 0.01 ? ((across[0] * way[0] + across[1] * way[1]) / square) * 0.01 * size : 0;
      }
      const other = box[grip.end === 'min' ? 'max' : 'min'][grip.axis], least = 0.002 * size, to = at[grip.axis] + by;
      box[grip.end][grip.axis] = grip.end === 'min' ? Math.min(to, other - least) : Math.max(to, other + least);
      if (told) told({ min: [...box.min], max: [...box.max] });
      ask();
    },
  };
}
