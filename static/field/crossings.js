// Passes through a gate, found in a satellite track. The same method as calc/crossings.py, gate_rides.py and
// standing_starts.py, which explain it; both are held together by rides in test_crossings_agree.py. Pure functions.

const LARGEST_GAP_S = 3;
const WIDEST_M = 12;
const SLOWEST_MPS = 0.7;
const REST_S = 3;
const NEAREST_M = 3;
const NEAR_IN_U = 2.5;
const AROUND_S = 15;
const [COURSE_M, STRAIGHT] = [20, 0.9];
const SLOW_OVER_S = 5;
const STEP_M = 15;
const FEWEST_PAIRS = 8;
const LEAST_U_M = 0.3;
const SHARE_WITHIN = 1.515;
const UNKNOWN_ACCURACY_M = 5;
export const MOST_RELATIVE_U = 0.05;

const known = (value) => typeof value === "number" && Number.isFinite(value);
const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;

function median(values) {
  const sorted = [...values].sort((first, other) => first - other);
  const half = Math.floor(sorted.length / 2);
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

// A value between rows, drawn straight; beyond the ends that of the end.
function drawn(at, xs, ys) {
  if (at <= xs[0]) return ys[0];
  for (let row = 1; row < xs.length; row += 1) {
    if (at <= xs[row]) return ys[row - 1] + ((ys[row] - ys[row - 1]) * (at - xs[row - 1])) / (xs[row] - xs[row - 1]);
  }
  return ys[ys.length - 1];
}

// Rows below a value in a growing list: the first at least it, or the first above it.
function firstAt(values, wanted, above = false) {
  let [low, high] = [0, values.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < wanted || (above && values[middle] === wanted)) low = middle + 1;
    else high = middle;
  }
  return low;
}

// Speeds with those missing for up to 3 s drawn straight; null where more are missing.
function bridged(times, speeds) {
  const rows = speeds.flatMap((speed, row) => (known(speed) && speed >= 0 ? [row] : []));
  return times.map((time_s, row) => {
    if (rows.length < 2) return null;
    const after = firstAt(rows, row);
    if (rows[after] === row) return speeds[row];
    if (after === 0 || after === rows.length) return null;
    const [from, to] = [rows[after - 1], rows[after]];
    if (times[to] - times[from] > LARGEST_GAP_S) return null;
    return speeds[from] + ((speeds[to] - speeds[from]) * (time_s - times[from])) / (times[to] - times[from]);
  });
}

// t₁ − t₂ + t₃ …: of an even number, the one farthest out does not count.
function toAndFro(crossings_s) {
  const counted = crossings_s.slice(0, crossings_s.length - 1 + (crossings_s.length % 2));
  return counted.reduce((sum, crossing_s, place) => sum + (place % 2 ? -crossing_s : crossing_s), 0);
}

class Track {
  constructor({ time_s, east_m, north_m, mark_east_m, mark_north_m, mark_distance_m, speed_mps = null, accuracy_m = null, u_mark_m = 0 }) {
    this.times = time_s;
    this.marks = mark_distance_m;
    this.length_m = mark_distance_m[mark_distance_m.length - 1];
    this.u_mark_m = u_mark_m;
    const [way_east, way_north] = [mark_east_m[1] - mark_east_m[0], mark_north_m[1] - mark_north_m[0]];
    const apart_m = Math.hypot(way_east, way_north);
    const [east, north] = [way_east / apart_m, way_north / apart_m];
    const [middle_east, middle_north] = [mean(mark_east_m), mean(mark_north_m)];
    this.along = east_m.map((value, row) => (value - middle_east) * east + (north_m[row] - middle_north) * north + this.length_m / 2);
    this.aside = east_m.map((value, row) => (north_m[row] - middle_north) * east - (value - middle_east) * north);
    this.radii = time_s.map((_, row) => {
      const radius_m = Array.isArray(accuracy_m) ? accuracy_m[row] : accuracy_m;
      return known(radius_m) && radius_m > 0 ? radius_m : UNKNOWN_ACCURACY_M;
    });
    const steps = time_s.slice(1).map((at_s, row) => at_s - time_s[row]);
    this.gaps = steps.map((step_s) => step_s > LARGEST_GAP_S);
    this.speeds = speed_mps && bridged(time_s, speed_mps);
    if (!this.speeds) return;
    this.path = [0];
    this.breaks = steps.map((step_s, row) => {
      const [from, to] = [this.speeds[row], this.speeds[row + 1]];
      const is_known = from !== null && to !== null;
      this.path.push(this.path[row] + (is_known ? (step_s * (from + to)) / 2 : 0));
      return this.gaps[row] || !is_known;
    });
    this.helps = this.path.map((at_m, row) => {
      const before = Math.max(0, firstAt(this.path, at_m - COURSE_M / 2, true) - 1);
      const after = Math.min(this.path.length - 1, firstAt(this.path, at_m + COURSE_M / 2));
      const gone_m = Math.abs(this.along[after] - this.along[before]);
      const is_straight = gone_m >= STRAIGHT * Math.hypot(gone_m, this.aside[after] - this.aside[before]);
      return Math.abs(this.aside[row]) <= WIDEST_M && is_straight;
    });
  }

  passes() {
    const starts = this.standingStarts();
    const ends = ({ mark_s }) => [mark_s[0], mark_s[mark_s.length - 1]];
    const isSame = (ride, start) => ride.is_out === start.is_out && ends(ride)[0] < ends(start)[1] && ends(ride)[1] > ends(start)[0];
    const crossed = this.rides().filter((ride) => !starts.some((start) => isSame(ride, start)));
    const rides = crossed.map((ride) => ({ ...ride, doubts: this.doubtsOf(ride), window: this.windowOf(ride) }));
    const helping = rides.filter(({ window, doubts }) => window && !doubts.includes("path")).map(({ window }) => window);
    const timed = [...rides.map((ride) => this.timed(ride, helping)), ...starts.map((start) => this.timedFromRest(start, helping))];
    return timed.sort((first, other) => first.mark_s[0] - other.mark_s[0]);
  }

  nearMetres() {
    return Math.max(NEAREST_M, NEAR_IN_U * Math.hypot(median(this.radii) / SHARE_WITHIN, this.u_mark_m));
  }

  standingStarts() {
    const starts = new Map();
    if (!this.speeds) return [];
    for (const is_out of [true, false]) {
      const ridden = is_out ? this.along : this.along.map((at_m) => this.length_m - at_m);
      const distances = is_out ? this.marks : [...this.marks].reverse().map((mark_m) => this.length_m - mark_m);
      for (let row = 0; row + 1 < ridden.length; row += 1) {
        if (!(ridden[row] < this.length_m && ridden[row + 1] >= this.length_m)) continue;
        const start = this.startOf(ridden, row, distances);
        const key = start && `${is_out}/${start.first}`;
        if (start && !starts.has(key)) starts.set(key, { is_out, last: row + 1, ...start });
      }
    }
    return [...starts.values()].sort((first, other) => first.mark_s[0] - other.mark_s[0]);
  }

  // The last row at rest before a crossing of the last mark, the times at the marks, and u of the first.
  startOf(ridden, row, distances) {
    const { times, speeds, path, breaks } = this;
    let rest = row + 1;
    while (rest > 0 && speeds[rest] !== null && speeds[rest] >= SLOWEST_MPS && !breaks[rest - 1]) rest -= 1;
    const begun = firstAt(times, times[rest] - REST_S, true) - 1;
    if (speeds[rest] === null || speeds[rest] >= SLOWEST_MPS || rest >= row || begun < 0 || breaks.slice(begun, rest).some(Boolean)) return null;
    if (path[rest] - path[begun] > SLOWEST_MPS * (times[rest] - times[begun])) return null;
    const share = (this.length_m - ridden[row]) / (ridden[row + 1] - ridden[row]);
    const aside_m = this.aside[row] + share * (this.aside[row + 1] - this.aside[row]);
    const stood_m = mean(ridden.slice(begun, rest + 1));
    const stood_aside_m = mean(this.aside.slice(begun, rest + 1));
    if (Math.abs(stood_m) > this.nearMetres() || Math.max(Math.abs(stood_aside_m), Math.abs(aside_m)) > WIDEST_M) return null;
    const [began_s, u_began_s] = this.firstMovement(rest, begun);
    const from_m = path[rest + 1] - (speeds[rest + 1] * (times[rest + 1] - began_s)) / 2;
    const gone_m = path[row] + share * (path[row + 1] - path[row]) - from_m;
    if (Math.abs(gone_m - this.length_m) > WIDEST_M) return null;
    const mark_s = [began_s];
    for (const distance_m of distances.slice(1)) {
      const reached = firstAt(path, from_m + distance_m, true) - 1;
      if (reached >= times.length - 1 || breaks.slice(rest, reached + 1).some(Boolean)) return null;
      mark_s.push(this.reachedTime(reached, from_m + distance_m));
    }
    const grows = mark_s.every((at_s, index) => index === 0 || at_s > mark_s[index - 1]);
    return grows ? { first: rest, mark_s, u_began_s } : null;
  }

  firstMovement(rest, begun) {
    const [at_rest_s, moving_s, next_s] = this.times.slice(rest, rest + 3);
    const [speed_mps, next_mps] = this.speeds.slice(rest + 1, rest + 3);
    let began_s = at_rest_s;
    if (next_mps > speed_mps) {
      const extrapolated_s = moving_s - (speed_mps * (next_s - moving_s)) / (next_mps - speed_mps);
      began_s = Math.min(Math.max(extrapolated_s, this.times[begun]), moving_s);
    }
    return [began_s, (moving_s - Math.min(began_s, at_rest_s)) / Math.sqrt(12)];
  }

  timedFromRest(start, helping) {
    const { is_out, first, last, mark_s, u_began_s } = start;
    const ended_s = mark_s[mark_s.length - 1];
    const duration_s = ended_s - mark_s[0];
    const u_m = this.difference(duration_s, is_out, { first, last }, helping) ?? this.uncertaintyOfFixes(start);
    const exit_mps = Math.max(SLOWEST_MPS, drawn(ended_s, this.times, this.speeds.map((speed) => speed ?? NaN)));
    const u_duration_s = Math.hypot(u_began_s, Math.max(u_m, LEAST_U_M) / exit_mps);
    return { is_out, mark_s, duration_s, u_duration_s, uses_speed: true, doubts: ["start"], is_standing: true };
  }

  // Whether fixes without a speed show the machine at rest by the first mark just before it.
  seemsFromRest(ride) {
    if (this.hasSpeed(ride)) return false;
    const [mark_m, near_m] = [ride.is_out ? 0 : this.length_m, this.nearMetres()];
    for (let row = ride.first; row >= 0 && this.times[ride.first] - this.times[row] <= SLOW_OVER_S && !this.gaps[row]; row -= 1) {
      const before = firstAt(this.times, this.times[row] - SLOW_OVER_S, true) - 1;
      if (before < 0 || this.gaps.slice(before, row).some(Boolean)) return false;
      const gone_m = Math.hypot(this.along[row] - this.along[before], this.aside[row] - this.aside[before]);
      const is_slow = gone_m < SLOWEST_MPS * (this.times[row] - this.times[before]);
      if (is_slow && Math.abs(this.along[row] - mark_m) <= near_m) return true;
    }
    return false;
  }

  uncertaintyOfFixes({ first, last }) {
    return (Math.SQRT2 * median(this.radii.slice(first, last + 1))) / SHARE_WITHIN;
  }

  // When the path since a row is at a length that it reaches before the next, at a steady gain of speed.
  reachedTime(row, target_m) {
    const step_s = this.times[row + 1] - this.times[row];
    const gain_mps2 = (this.speeds[row + 1] - this.speeds[row]) / step_s;
    const left_m = target_m - this.path[row];
    const root = Math.sqrt(Math.max(this.speeds[row] ** 2 + 2 * gain_mps2 * left_m, 0));
    return this.times[row] + (left_m > 0 ? (2 * left_m) / (this.speeds[row] + root) : 0);
  }

  rides() {
    const zone = this.along.map((at_m) => (at_m < 0 ? 0 : at_m < this.length_m ? 1 : 2));
    const outside = zone.flatMap((where, row) => (where === 1 ? [] : [row]));
    const rides = [];
    for (let place = 1; place < outside.length; place += 1) {
      const [first, last] = [outside[place - 1], outside[place]];
      if (zone[first] === zone[last]) continue;
      const is_out = zone[first] === 0;
      const ends = is_out ? [0, this.length_m] : [this.length_m, 0];
      if (Math.max(this.asideAt(first, ends[0]), this.asideAt(last - 1, ends[1])) > WIDEST_M) continue;
      const between = this.marks.slice(1, -1);
      const mark_s = [
        this.entryTime(first, ends[0]),
        ...(is_out ? between : between.reverse()).map((mark_m) => this.timeBetween(first, last, mark_m)),
        this.exitTime(last - 1, ends[1]),
      ];
      const grows = mark_s.every((at_s, index) => index === 0 || at_s > mark_s[index - 1]);
      if (grows && this.length_m / (mark_s[mark_s.length - 1] - mark_s[0]) >= SLOWEST_MPS) rides.push({ is_out, first, last, mark_s });
    }
    return rides;
  }

  crosses(row, mark_m) {
    return this.along[row] < mark_m !== this.along[row + 1] < mark_m;
  }

  shareAt(row, mark_m) {
    return (mark_m - this.along[row]) / (this.along[row + 1] - this.along[row]);
  }

  crossingTime(row, mark_m) {
    return this.times[row] + this.shareAt(row, mark_m) * (this.times[row + 1] - this.times[row]);
  }

  asideAt(row, mark_m) {
    return Math.abs(this.aside[row] + this.shareAt(row, mark_m) * (this.aside[row + 1] - this.aside[row]));
  }

  entryTime(from, mark_m) {
    let row = from;
    const crossings = [this.crossingTime(row, mark_m)];
    while (row > 0 && crossings[crossings.length - 1] - this.times[row - 1] <= LARGEST_GAP_S) {
      row -= 1;
      if (this.crosses(row, mark_m)) crossings.push(this.crossingTime(row, mark_m));
    }
    return toAndFro(crossings);
  }

  exitTime(from, mark_m) {
    let row = from;
    const crossings = [this.crossingTime(row, mark_m)];
    while (row + 2 < this.times.length && this.times[row + 2] - crossings[crossings.length - 1] <= LARGEST_GAP_S) {
      row += 1;
      if (this.crosses(row, mark_m)) crossings.push(this.crossingTime(row, mark_m));
    }
    return toAndFro(crossings);
  }

  timeBetween(first, last, mark_m) {
    const crossings = [];
    for (let row = first; row < last; row += 1) if (this.crosses(row, mark_m)) crossings.push(this.crossingTime(row, mark_m));
    return toAndFro(crossings);
  }

  doubtsOf(ride) {
    const doubts = [];
    if (this.gaps.slice(Math.max(ride.first - 1, 0), ride.last + 1).some(Boolean)) doubts.push("gap");
    if (Math.abs(this.pathLength(ride) - this.length_m) > WIDEST_M) doubts.push("path");
    if (this.slowest(ride) < SLOWEST_MPS) doubts.push("stop");
    if (this.seemsFromRest(ride)) doubts.push("start");
    return doubts;
  }

  hasSpeed({ first, last }) {
    return this.speeds !== null && !this.breaks.slice(first, last).some(Boolean);
  }

  pathLength(ride) {
    const { first, last, mark_s } = ride;
    const [began_s, ended_s] = [mark_s[0], mark_s[mark_s.length - 1]];
    if (this.hasSpeed(ride)) return drawn(ended_s, this.times, this.path) - drawn(began_s, this.times, this.path);
    const inside = [began_s, ...this.times.slice(first + 1, last), ended_s];
    const [x, y] = [this.along, this.aside].map((values) => inside.map((at_s) => drawn(at_s, this.times, values)));
    let [length_m, at] = [0, 0];
    for (let row = 1; row < inside.length; row += 1) {
      const step_m = Math.hypot(x[row] - x[at], y[row] - y[at]);
      if (step_m >= STEP_M || row === inside.length - 1) [length_m, at] = [length_m + step_m, row];
    }
    return length_m;
  }

  slowest(ride) {
    const { first, last } = ride;
    if (this.hasSpeed(ride)) return Math.min(Infinity, ...this.speeds.slice(first + 1, last));
    let [slowest, start] = [Infinity, first];
    for (let row = first; row <= last; row += 1) {
      while (start + 1 < row && this.times[row] - this.times[start + 1] >= SLOW_OVER_S) start += 1;
      const elapsed_s = this.times[row] - this.times[start];
      if (elapsed_s < SLOW_OVER_S) continue;
      slowest = Math.min(slowest, Math.hypot(this.along[row] - this.along[start], this.aside[row] - this.aside[start]) / elapsed_s);
    }
    return slowest;
  }

  windowOf(ride) {
    if (!this.hasSpeed(ride)) return null;
    let { first, last } = ride;
    const [begin_s, end_s] = [ride.mark_s[0] - AROUND_S, ride.mark_s[ride.mark_s.length - 1] + AROUND_S];
    while (first > 0 && this.times[first - 1] >= begin_s && this.helps[first - 1] && !this.breaks[first - 1]) first -= 1;
    while (last < this.times.length - 1 && this.times[last + 1] <= end_s && this.helps[last + 1] && !this.breaks[last]) last += 1;
    return { first, last };
  }

  timed(ride, helping) {
    const { is_out, doubts, window } = ride;
    const by_path = window && this.byPath(ride);
    const u_fixes_m = this.uncertaintyOfFixes(ride);
    const is_standing = doubts.includes("start");
    if (!by_path) {
      const duration_s = ride.mark_s[ride.mark_s.length - 1] - ride.mark_s[0];
      // Nobody knows how slowly a ride from rest passed the first mark.
      const u_duration_s = Math.hypot((u_fixes_m * duration_s) / this.length_m, is_standing ? u_fixes_m / SLOWEST_MPS : 0);
      return { is_out, mark_s: ride.mark_s, duration_s, u_duration_s, uses_speed: false, doubts, is_standing };
    }
    const mark_s = ride.mark_s.map((by_fixes, index) => (by_fixes + by_path[index]) / 2);
    const [began_s, ended_s] = [mark_s[0], mark_s[mark_s.length - 1]];
    const duration_s = ended_s - began_s;
    const u_m = this.difference(duration_s, is_out, window, helping) ?? u_fixes_m;
    const [entry_mps, exit_mps] = [began_s, ended_s].map((at_s) => Math.max(SLOWEST_MPS, drawn(at_s, this.times, this.speeds.map((speed) => speed ?? NaN))));
    const u_place_s = Math.hypot(u_fixes_m / Math.SQRT2, this.u_mark_m) * Math.abs(1 / exit_mps - 1 / entry_mps);
    const u_duration_s = Math.hypot((Math.max(u_m, LEAST_U_M) * duration_s) / this.length_m, u_place_s);
    return { is_out, mark_s, duration_s, u_duration_s, uses_speed: true, doubts, is_standing: false };
  }

  apart({ first, last }, is_out) {
    const apart_m = [];
    for (let row = first; row <= last; row += 1) apart_m.push((is_out ? this.along[row] : -this.along[row]) - this.path[row]);
    return apart_m;
  }

  byPath({ window, is_out }) {
    const offset_m = mean(this.apart(window, is_out));
    const marks = is_out ? this.marks : [...this.marks].reverse().map((mark_m) => -mark_m);
    const mark_s = [];
    for (const mark_m of marks) {
      const target_m = mark_m - offset_m;
      if (!(this.path[window.first] <= target_m && target_m <= this.path[window.last])) return null;
      const reached = firstAt(this.path.slice(window.first, window.last + 1), target_m, true) - 1;
      const row = window.first + Math.min(reached, window.last - window.first - 1);
      mark_s.push(this.reachedTime(row, target_m));
    }
    return mark_s;
  }

  difference(lag_s, is_out, own, helping) {
    let [squares, count] = [0, 0];
    for (const window of helping.includes(own) ? helping : [own, ...helping]) {
      const times = this.times.slice(window.first, window.last + 1);
      const apart_m = this.apart(window, this.along[window.last] >= this.along[window.first]);
      const end_s = times[times.length - 1];
      for (let start = 0; start < times.length && times[start] + lag_s <= end_s; start += 1) {
        const wanted_s = times[start] + lag_s;
        const after = Math.min(times.length - 1, Math.max(1, firstAt(times, wanted_s)));
        const nearest = wanted_s - times[after - 1] <= times[after] - wanted_s ? after - 1 : after;
        squares += (apart_m[nearest] - apart_m[start]) ** 2;
        count += 1;
      }
    }
    return count >= FEWEST_PAIRS ? Math.sqrt(squares / count) : null;
  }
}

// Every ride through a gate, in order of time: {is_out, mark_s, duration_s, u_duration_s, uses_speed, doubts, is_standing}.
export function gatePasses(track) {
  return track.time_s.length < 2 ? [] : new Track(track).passes();
}

// A plane that touches the ellipsoid at a place: degrees to metres (calc/geodesy.py, local_metres).
export function localPlane(latitude, longitude) {
  const squared = (2 - 1 / 298.257223563) / 298.257223563;
  const radian = Math.PI / 180;
  const bulge = 1 - squared * Math.sin(latitude * radian) ** 2;
  const vertical_m = 6378137 / Math.sqrt(bulge);
  const meridian_m = (vertical_m * (1 - squared)) / bulge;
  return (at_latitude, at_longitude) => ({
    east_m: vertical_m * Math.cos(latitude * radian) * radian * (((((at_longitude - longitude + 180) % 360) + 360) % 360) - 180),
    north_m: meridian_m * radian * (at_latitude - latitude),
  });
}
