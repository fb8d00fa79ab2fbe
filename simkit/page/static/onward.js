// From what the model told of two places of a drag to where the hand is now.

/** A number that was `before` a way ago, and `share` of that way further on; as it is where one of both is unknown. */
export function onward(now, before, share) {
  if (now == null) return null;
  return before == null ? now : Math.max(0, now + share * (now - before));
}

/** How far `values` are beyond place `two` on the way there from `one`, in ways, from -1 to 1; `start` of a number that neither has. */
export function beyond(values, one, two, start) {
  let square = 0, along = 0;
  for (const [name, value] of Object.entries(values)) {
    const end = two[name] ?? start(name), way = end - (one[name] ?? start(name));
    square += way * way;
    along += way * (value - end);
  }
  return square ? Math.max(-1, Math.min(1, along / square)) : 0;
}

export function sameValues(one, other) {
  if (!other) return false;
  const names = new Set([...Object.keys(one), ...Object.keys(other)]);
  return [...names].every((name) => one[name] === other[name]);
}
