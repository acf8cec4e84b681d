// How many records go to the server in one request: as many as it stores in well under a second by its own clock (so
// that a slow network makes no batch smaller), and few where it is busy with other phones.

const [LEAST, FEW, MOST] = [10, 20, 50];
const AIM_S = 0.7;
const MOST_GROWTH = 1.5;

export const FIRST_SIZE = MOST;

// `sent` of them took the server `took_s`; a server of an earlier release does not say.
export function nextSize(size, sent, took_s) {
  if (!(took_s > 0)) return size;
  return Math.round(Math.max(LEAST, Math.min(MOST, MOST_GROWTH * size, (sent * AIM_S) / took_s)));
}

export function sizeWhenBusy(size) {
  return Math.min(size, FEW);
}
