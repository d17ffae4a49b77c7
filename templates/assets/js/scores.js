// The arithmetic of weighted scores: a pure function of a table of scores, weights and a rule for missing results.
// It gives the same numbers as the server's `comparisons/analysis/scores.py`; one test feeds both the same cases.

export const SAME = 1e-9; // scores closer than this, relative to their size, are equal
export const RULES = ["renormalise", "leave_out", "worst_case"];

/**
 * A table ready to be weighed again and again.
 * score: one row for each criterion, in it one score (0 to 100) for each product, null where missing;
 * missing: [criterion, product, least score, greatest score, whether it does not apply], one for each null;
 * gated: for each product whether it misses a must-have.
 */
export function tableOf({ score, missing, gated }) {
  const C = score.length;
  const P = gated.length;
  const point = new Float64Array(C * P);
  const low = new Float64Array(C * P);
  const high = new Float64Array(C * P);
  const apart = new Uint8Array(C * P);
  for (let c = 0; c < C; c++) {
    for (let p = 0; p < P; p++) {
      const x = score[c][p];
      point[c * P + p] = low[c * P + p] = high[c * P + p] = x === null ? NaN : x;
    }
  }
  for (const [c, p, least, most, notApplicable] of missing) {
    // What does not apply is missing at both ends too: it is never imputed.
    low[c * P + p] = notApplicable ? NaN : least;
    high[c * P + p] = notApplicable ? NaN : most;
    apart[c * P + p] = notApplicable ? 1 : 0;
  }
  return { criteria: C, products: P, point, low, high, apart, gated: Array.from(gated, Boolean) };
}

// Weighted mean of each product's scores over the criteria that it has; NaN where it has none.
function weighted(table, values, weights, criteria) {
  const P = table.products;
  const sum = new Float64Array(P);
  const total = new Float64Array(P);
  for (const c of criteria) {
    const w = weights[c];
    for (let p = 0, at = c * P; p < P; p++, at++) {
      const x = values[at];
      if (x === x) {
        sum[p] += w * x;
        total[p] += w;
      }
    }
  }
  for (let p = 0; p < P; p++) sum[p] = total[p] > 0 ? sum[p] / total[p] : NaN;
  return sum;
}

/** Rank of each eligible score, the greatest first; equal scores share the better rank; 0 for the rest. */
export function ranks(score, eligible) {
  const out = new Int32Array(score.length);
  const who = [];
  for (let p = 0; p < score.length; p++) if (eligible(p) && score[p] === score[p]) who.push(p);
  who.sort((a, b) => score[b] - score[a]);
  let first = 0;
  for (let i = 0; i < who.length; i++) {
    if (i > 0) {
      const now = score[who[i]];
      if (!(score[who[i - 1]] - now <= SAME * Math.max(1, Math.abs(now)))) first = i;
    }
    out[who[i]] = first + 1;
  }
  return out;
}

/**
 * The scores of a table with some weights (one for each criterion, at or above zero) by a rule of RULES.
 * score, low, high: one for each product, NaN where there is none; low and high put what is missing at the
 * least and the greatest score that it can have. rank: 0 for a product that misses a must-have or has no
 * score; rankOfAll ranks the former too. leaders: products at rank 1. stands: whether a sole leader stays
 * ahead however missing results come out, null without one. dropped: criteria left out for all.
 */
export function weigh(table, weights, rule) {
  const { products: P, point, apart } = table;
  const used = [];
  for (let c = 0; c < table.criteria; c++) if (weights[c] > 0) used.push(c);
  const compared = new Uint8Array(P);
  for (const c of used) for (let p = 0; p < P; p++) if (point[c * P + p] === point[c * P + p]) compared[p] = 1;
  const low = weighted(table, table.low, weights, used);
  const high = weighted(table, table.high, weights, used);
  for (let p = 0; p < P; p++) if (!compared[p]) low[p] = high[p] = NaN;
  let kept = used;
  let score;
  if (rule === "leave_out") {
    const lacks = (c) => {
      for (let p = 0, at = c * P; p < P; p++, at++) {
        if (compared[p] && !apart[at] && point[at] !== point[at]) return true;
      }
      return false;
    };
    kept = used.filter((c) => !lacks(c));
    score = weighted(table, point, weights, kept);
  } else if (rule === "worst_case") {
    score = Float64Array.from(low);
  } else {
    score = weighted(table, point, weights, used);
  }
  const rank = ranks(score, (p) => !table.gated[p]);
  const rankOfAll = ranks(score, () => true);
  const leaders = [];
  for (let p = 0; p < P; p++) if (rank[p] === 1) leaders.push(p);
  let stands = null;
  if (leaders.length === 1) {
    const least = low[leaders[0]] - SAME;
    stands = true;
    for (let p = 0; p < P; p++) if (rank[p] > 0 && p !== leaders[0] && !(high[p] < least)) stands = false;
  }
  return { score, low, high, rank, rankOfAll, leaders, stands, dropped: used.filter((c) => !kept.includes(c)) };
}

/**
 * A number at or above zero with so many decimals, a tie to the even neighbour, as the server prints it:
 * by the decimals that the number is written with, not by its binary fraction.
 */
export function rounded(x, places) {
  const text = x.toString();
  if (text.includes("e")) return (x < 1 ? 0 : x).toFixed(places);
  const [whole, part = ""] = text.split(".");
  if (part.length <= places) return places > 0 ? `${whole}.${part.padEnd(places, "0")}` : whole;
  let n = BigInt(whole + part.slice(0, places));
  const rest = part.slice(places);
  const half = `5${"0".repeat(rest.length - 1)}`;
  if (rest > half || (rest === half && n % 2n === 1n)) n += 1n;
  const digits = n.toString().padStart(places + 1, "0");
  return places > 0 ? `${digits.slice(0, -places)}.${digits.slice(-places)}` : digits;
}
