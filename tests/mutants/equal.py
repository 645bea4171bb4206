"""Faults that change nothing anybody could notice, each with why; they are tried and listed, not counted as missed."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["EQUAL", "EqualFault", "why_equal"]


@dataclass(frozen=True)
class EqualFault:
    """A module, its line, what that line holds with the fault in it (spaces left out), and why it is the same."""

    module: str
    line: str
    fault: str
    why: str


EQUAL = (
    EqualFault(
        "beam.wave",
        "if last and grids[last[0]].size == grids[index].size",
        "grids[last[-1]]",
        "all beams of a batch have one size, the first as the last",
    ),
    EqualFault(
        "beam.wave",
        "if float(np.abs(at - near).max()) < 1e-6:",
        "np.abs(at+near)",
        "a short cut: where it is not taken, the nodes are looked up between themselves and give the same",
    ),
    EqualFault(
        "beam.sweep",
        "ramp = np.clip((np.arange(top, grid.size) / grid.size - (1.0 - ABSORBER_SHARE)) / ABSORBER_SHARE, 0.0, 1.0)",
        "0.0,2.0)",
        "the ramp ends below one: the upper limit is never reached",
    ),
    EqualFault(
        "beam.interference",
        "hi = min(order.size, lo + max(1, int(400_000 / (length[order[lo]] / spacing_m + 4))))",
        "",
        "how many paths are looked at together, for the sake of memory; each is answered by itself",
    ),
    EqualFault(
        "beam.strip",
        "_LEVEL_ENOUGH = 0.05",
        "-0.95",
        "a short cut: the distance along the slope is then computed on level ground too, and differs by 0.13 % at most",
    ),
    *(
        EqualFault(
            "beam.strip",
            f"def {name}: Target, strip: Strip, *, grass_m: float = 0.0)",
            "grass_m:float=-1.0",
            "no silhouette begins below the ground, so grass lower than nothing hides as little as none",
        )
        for name in ("modulation(fields: Sequence[BeamField], target", "levels(field: BeamField, target")
    ),
    EqualFault(
        "beam.field",
        "hit = np.flatnonzero(reached[np.arange(first.size), first] & (first > 0))",
        "|(first>0)",
        "the share at the ground itself is nothing, so the first height that reaches the need is above it",
    ),
    *(
        EqualFault(
            "detection.crossing",
            line,
            fault,
            "a short cut: where it is not taken, the shortest way is searched, and is the same",
        )
        for line, fault in (
            ("across = self.graph.first[place] + row * k + np.arange(k)", "row*k-np.arange(k)"),
            ("if self.on_right[across[0]] and self.on_left[across[-1]]:", "across[-0]"),
        )
    ),
    EqualFault(
        "beam.interference",
        "height = np.nan_to_num(ground(x, y) - ray, nan=-np.inf)",
        "nan=np.inf",
        "the next line takes what is not finite for far below the ray, on whichever side",
    ),
    EqualFault(
        "steps.layout.checks",
        "allowed = 1 if closed and len(zones) % 2 else 0",
        "else-1",
        "it is compared with a number of junctions that is one at least",
    ),
    EqualFault("detection.ways", "value = np.append(cost, 0.0)", "-1.0", "no modulation is below nothing"),
    EqualFault(
        "detection.envelope",
        "count = int(np.ceil((beam.quiet - lowest) / step - 1e-9))",
        "+1e-9",
        "one window more, all of which the one before it holds",
    ),
    EqualFault(
        "beam.cross_section",
        "left, right = np.triu_indices(offset_m.size, 1)",
        "size,2)",
        "places next to each other are never half a strip apart, but for three, whose median is that of the outer two",
    ),
    EqualFault(
        "earthwork.falls",
        "key = hashlib.blake2b(level.tobytes(), digest_size=16).digest()",
        "",
        "how long a name is under which an answer is kept for the same ground",
    ),
    EqualFault(
        "detection.envelope",
        "part = (at - left).reshape(-1, 1) if axis == 0 else (at - left)",
        "reshape(-2,1)",
        "numpy takes any negative number for the length that is left",
    ),
    EqualFault(
        "detection.nuisance",
        "part = np.where(inner > outer, (inner - threshold) / np.where(inner > outer, inner - outer, 1.0), 0.0)",
        "1.0),-1.0)",
        "cut off at nothing in the next line",
    ),
    EqualFault(
        "earthwork.linear",
        "if not wide.any() or wide.mean() > _MOST_OF_IT or (last is not None and (wide == last.inside).all()):",
        "(wide!=last.inside)",
        "a window that grew no more would be solved once more, with the same optimum",
    ),
    EqualFault(
        "detection.stretches",
        "return np.linspace(0.0, fence.length, max(int(np.ceil(fence.length / _ALONG_FENCE_M)), 1) + 1)",
        ",0)+1)",
        "no fence line is without length, so that it has a piece at least",
    ),
    EqualFault(
        "beam.antenna",
        "offset = np.ascontiguousarray(np.broadcast_to(offset, (chainage_m.size, offset.shape[-1])))",
        "shape[1]",
        "of two dimensions the second is the last",
    ),
    EqualFault(
        "steps.layout.chain",
        "np.add.at(covers, station + np.maximum(reach, 1), -1)",
        "-0)",
        "at which station a loop is cut open decides how many starts are tried; the cheapest loop is among them",
    ),
    EqualFault(
        "beam.cross_section",
        "far = width >= 0.5 * (offset_m[-1] - offset_m[0]) - 1e-9",
        "offset_m[1])-1e-9",
        "as many places lie on either side of the line: half a place less than half the strip is as many places apart",
    ),
    EqualFault(
        "detection.envelope",
        "at = np.clip(np.arange(level.shape[axis]) + by, 0.0, level.shape[axis] - 1.0)",
        "-by",
        "it is asked for shifts as far one way as the other",
    ),
    EqualFault(
        "earthwork.zones",
        "trial = ZoneGroup(perimeter, surface, zones, strip, settings, known or Known())",
        "knownandKnown()",
        "programmes solved before are solved anew, with the same answer",
    ),
    EqualFault(
        "steps.layout.width",
        "radius = fresnel_radius(SPEED_OF_LIGHT / frequency_hz, d1, np.where(d1 + d2 > 0, d2, 1.0))",
        "d2,2.0)",
        "where a beam has no length the radius is nothing, whatever stands in its place",
    ),
    EqualFault(
        "steps.layout.edges",
        "ok &= clear(middle[:, 0], middle[:, 1]) >= half + rules.margin_m",
        "half-rules.margin_m",
        "a first sieve: what passes it is measured at every place, its middle as well",
    ),
    EqualFault(
        "detection.level_reach",
        "for row in range(len(lengths) if answers else 0):",
        "else-1",
        "either is no row",
    ),
    EqualFault(
        "steps.layout.chain",
        "came_by = np.full(station.size, -1, dtype=np.intp)",
        "-2",
        "any number below nothing stands for no zone",
    ),
    EqualFault(
        "steps.channels.colouring",
        "degree = adjacent.sum(axis=1)",
        "axis=0",
        "who is adjacent to whom is mutual",
    ),
    EqualFault(
        "beam.field",
        "hit = np.flatnonzero(reached[np.arange(first.size), first] & (first > 0))",
        "(first>-1)",
        "the share at the ground itself is nothing, so the first height that reaches the need is above it",
    ),
    EqualFault(
        "detection.envelope",
        "return float(max(beam.highest[mask].max(), beam.quiet) - min(beam.lowest[mask].min(), beam.quiet))",
        ")+min(",
        "a short cut: a beam that cannot reach the threshold anywhere is looked at too, and reaches it nowhere",
    ),
    EqualFault(
        "beam.sweep",
        "count, size = len(beams), grids[0].size",
        "grids[-1]",
        "all beams of a batch have one size, the first as the last",
    ),
    EqualFault(
        "beam.rain",
        "(-0.07771, 2.33840, -0.76284),",
        "2.33840,0.76284",
        "the width of a term of the recommendation's sum, which is squared",
    ),
    EqualFault(
        "detection.areas",
        "_, part = connected_components(graph, directed=False)",
        "directed=True",
        "of a directed graph the parts that hang together either way are asked for, which are the same",
    ),
    EqualFault(
        "beam.antenna",
        "shared = offset.ndim == 1",
        "ndim==0",
        "offsets that are the same at every chainage are then written out for each",
    ),
    *(
        EqualFault(
            "steps.channels.colouring",
            line,
            fault,
            "how long colours are tried before an integer programme, with the same answer, takes over",
        )
        for line, fault in (("_PATIENCE = 20_000", "_PATIENCE="), ("steps += 1", "steps+=2"))
    ),
    EqualFault("detection.areas", "return reached[0]", "reached[-1]", "a list of one"),
    EqualFault(
        "detection.topology",
        "box = np.array(boxes).reshape(-1, 4)",
        "reshape(-2,4)",
        "numpy takes any negative number for the length that is left",
    ),
    EqualFault(
        "detection.topology",
        "half, length = float(grid.offset_m[-1]), grid.line.length",
        "offset_m[-0]",
        "a strip reaches as far to the right as to the left, and its box is that of both sides",
    ),
    EqualFault(
        "steps.layout.chain",
        "jumpers = np.unique(tail[(offset + span > n_stations) & (offset > 0)])",
        "|(offset>0)",
        "more starts are tried than are needed: the cheapest loop is among them either way",
    ),
    EqualFault(
        "steps.layout.width",
        "return np.empty((0, 2)), np.empty((0, 2))",
        "np.empty((0,",
        "the shape of an array without entries, of which only the number is asked",
    ),
    EqualFault(
        "earthwork.linear",
        "if (needs & ~able).any() or not self._look_at(window.inside | needs, _MORE_STEPS):",
        "needs|~able",
        "a short cut: the whole strip is then solved in place of a window, with the same optimum",
    ),
    EqualFault(
        "earthwork.limits",
        "column = 2 * n + 6 * k + 1 + np.maximum(falls.crossing, 0)",
        "np.maximum(falls.crossing,-1)",
        "where no crossing is on offer the entry in that column is nothing, whichever column it is",
    ),
    EqualFault(
        "beam.cells",
        "parts = max(math.ceil((nodes[-1] - nodes[0]) / (nodes.size - 1) / resolution_m - 1e-9), 1)",
        "-1e-9),0)",
        "a length over a length, rounded up, is one at least",
    ),
    EqualFault(
        "earthwork.falls",
        "changed = ~((level == self.level) | (np.isnan(level) & np.isnan(self.level)))",
        "np.isnan(level)|np.isnan(",
        "a design has levels where there is ground and nowhere else: what is not known before is not known after",
    ),
    *(
        EqualFault(
            "earthwork.falls",
            line,
            fault,
            "the middle half of a way lies between its ends, which are cells of the window: no limit is reached",
        )
        for line, faults in (
            (
                "c = np.clip(np.round((over[:, 0] - self._x[0]) / self.cell).astype(int), 0, columns - 1)",
                (".astype(int),-1,", "columns-0)"),
            ),
            (
                "r = np.clip(np.round((self._y[0] - over[:, 1]) / self.cell).astype(int), 0, level.shape[0] - 1)",
                (".astype(int),-1,", "shape[0]-0)"),
            ),
        )
        for fault in faults
    ),
    EqualFault(
        "steps.layout.chain",
        "node_in_row = np.roll(np.arange(n), -int(np.searchsorted(station, cut)))",
        "np.arange(n),int(",
        "from which node a ring is laid out in a row changes no way round it",
    ),
    EqualFault(
        "steps.layout.edges",
        "if rules.reached is not None and prices.nuisance_m > 0.0:",
        "isnotNoneorprices",
        "what is reached and costs nothing adds nothing; without rules of reach there is no price",
    ),
    EqualFault(
        "earthwork.limits",
        "one, none = np.array([1.0]), np.array([-1])",
        "np.array([-2])",
        "any number below nothing stands for no place",
    ),
    EqualFault(
        "detection.envelope",
        "count = int(np.ceil((beam.quiet - lowest) / step - 1e-9))",
        "--0.999999999",
        "one window more, all of which the one before it holds",
    ),
    EqualFault(
        "beam.grid",
        "if step_m is None and even and 0.8 * wanted <= spacing[0] <= longest_kept:",
        "spacing[-1]",
        "of even nodes the last are as far apart as the first",
    ),
    EqualFault(
        "earthwork.window",
        "number = np.full(len(taken), -1)",
        ",-0)",
        "every cell whose number is asked for is in the window",
    ),
    EqualFault(
        "steps.layout.edges",
        "forced = np.append(forced, n_stations - 1)",
        "n_stations+1",
        "beyond the last station there is none",
    ),
    EqualFault(
        "beam.interference",
        "nu = np.max(np.where(np.isfinite(height), height * root, -10.0), axis=1)",
        "-11.0",
        "below -0.78 there is no loss, however far below",
    ),
    EqualFault(
        "beam.standing",
        "both = 1.0 - 10.0 ** (-lost / 20.0) * np.exp(2j * np.pi / self.head_type.wavelength_m * further)",
        "/20.0)/np.exp",
        "a phase that turns the other way: the mirrored number, whose magnitude alone is taken",
    ),
    EqualFault(
        "beam.field3d",
        "spectrum = fft(whole, axis=1, overwrite_x=True)",
        "overwrite_x=False",
        "whether a transform may use the place of what it is given, which nobody reads again",
    ),
    EqualFault(
        "beam.grid",
        "nodes = (x.size - 1) * math.ceil(float(spacing[0]) / (1.0 if beam.detail_m is None else wanted) - 1e-9) + 1",
        "spacing[-1]",
        "of even nodes the last are as far apart as the first",
    ),
    EqualFault(
        "detection.spots",
        "return shape if shape.is_valid else shape.buffer(0)",
        "buffer(",
        "an outline goes once along and once back, at least half a spacing apart: it never crosses itself",
    ),
    EqualFault("detection.ways", "lift = 1e-6", "1.000001", "all weights are lifted alike, which changes no tree"),
    EqualFault(
        "detection.ways",
        "while before[at] >= 0:",
        ">=-1",
        "where nothing lies before a node the library says -9999",
    ),
    EqualFault(
        "detection.unknowns",
        "level = error_field(strip.chainage_m, strip.offset_m, off, rng, 1)[0]",
        "[-1]",
        "a list of one",
    ),
    EqualFault(
        "detection.stretches",
        "run = np.diff(get_coordinates(lines).reshape(-1, 2, 2), axis=1)[:, 0]",
        "[:,-1]",
        "two points have one difference",
    ),
    EqualFault(
        "earthwork.falls",
        "self._transform = Affine(2 * half, 0.0, self._x[0] - half, 0.0, -2 * half, self._y[0] + half)",
        "Affine(2*half,1.0,",
        "origin and cell size alone are read of it",
    ),
    EqualFault(
        "earthwork.falls",
        "part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]",
        "columns[-1]+2]",
        "one column more, in which nothing is looked at",
    ),
    EqualFault(
        "earthwork.falls",
        "c = np.clip(np.round((over[:, 0] - self._x[0]) / self.cell).astype(int), 0, columns - 1)",
        "0, columns + 1)",
        "a limit that is never reached: what is looked at lies between two cells of the grid",
    ),
    EqualFault(
        "earthwork.water",
        "wet = np.nan_to_num(depth, nan=0.0) > 0",
        "nan=-1.0",
        "no ground is not wet, be its depth nothing or less",
    ),
    EqualFault(
        "detection.nuisance",
        "inner = half[rows, np.maximum(last, 0)]",
        "np.maximum(last,-1)",
        "where no place reaches the threshold the answer is nothing, whatever stands for its last place",
    ),
    EqualFault(
        "beam.field3d",
        "spectrum = fft(spectrum, axis=0, overwrite_x=True)",
        "overwrite_x=False",
        "whether the transform may write over what it is given and nobody reads again",
    ),
    EqualFault(
        "steps.layout.checks",
        "allowed = 1 if closed and len(zones) % 2 else 0",
        "len(zones)+2",
        "round a ring of an even number of zones roles change an even number of times, so that unlike heads meet at "
        "none of its junctions or at two at least",
    ),
    EqualFault("earthwork.falls", "number = np.arange(1, count + 1)", "count+2)", "a label that no cell has"),
    EqualFault(
        "earthwork.water",
        "starts = np.searchsorted(one, np.arange(count + 1)).tolist()",
        "count+2)",
        "one entry more, which is not read",
    ),
    EqualFault("earthwork.water", "i = int(cells[0])", "cells[-1]", "water leaves a pond at one place from any cell"),
    EqualFault(
        "earthwork.linear",
        "change = np.maximum(x[n : 2 * n], 0.0) - np.maximum(x[:n], 0.0)",
        "-1.0)",
        "either part is bounded from below, by nothing at least",
    ),
    EqualFault(
        "earthwork.linear",
        "span = np.abs(self.reach.reshape(-1, 2) - (self.now - self.datum).reshape(-1, 1)).max(axis=1, initial=0.0)",
        "initial=1.0",
        "a head without reach cannot move, whatever is offered it",
    ),
    EqualFault(
        "earthwork.buildable",
        "for r, c in np.argwhere(room & (full == side * side)):",
        "in[]",
        "a short cut: the search below takes a whole square for each of its cells first",
    ),
    *(
        EqualFault(
            "earthwork.linear",
            "able = (low < 0) | (high > 0)",
            fault,
            "which cells a window takes in: what it misses the whole strip is solved for, with the same optimum",
        )
        for fault in ("(low<-1)|(high>0)", "(low<0)&(high>0)", "(low<1)|(high>0)")
    ),
    EqualFault(
        "earthwork.linear",
        "needs = asking(self.cells, self.lines, answer.ends + self.datum) & ~window.inside",
        "|~window",
        "the whole strip is then solved in place of a window, with the same optimum",
    ),
    EqualFault(
        "detection.nuisance",
        "for columns in (range(middle + 1, level.shape[1]), range(middle - 1, -1, -1)):",
        "range(middle-0,",
        "the level under the beam line is known, and stays",
    ),
    *(
        EqualFault("earthwork.proof", line, fault, "a further flagged station is looked at, which is no nearer")
        for line, fault in (
            ("at = np.clip(np.searchsorted(hit, chainage), 0, len(hit) - 1)", ",-1,"),
            ("before = np.clip(at - 1, 0, len(hit) - 1)", "at-1,-1,"),
        )
    ),
    *(
        EqualFault(
            "steps.layout.edges",
            "limit = np.where(following < forced.size, forced[np.minimum(following, forced.size - 1)], 2 * n_stations)",
            fault,
            "where no forced station lies ahead: at the last station of an open line alone, which none follow",
        )
        for fault in ("],1*n_stations)", "],3*n_stations)", "],2/n_stations)")
    ),
    EqualFault(
        "steps.layout.edges",
        "half = beam_half_width(length / 2, length / 2, rules.frequency_hz, zones=rules.fresnel_zones)",
        "length/2,length/3,",
        "a first sieve that lets more pass: what passes it is measured at every place, its middle as well",
    ),
    EqualFault(
        "steps.layout.kernel",
        "u, v = (np.diff(zones[k].junctions, axis=0)[0] for k in (before, after))",
        "[-1]",
        "two junctions have one difference",
    ),
    EqualFault(
        "steps.layout.width",
        "np.minimum.at(far, ray, np.clip(distance, 0.0, reach))",
        "-1.0,reach",
        "what a ray meets lies ahead of it",
    ),
    *(
        EqualFault(
            "steps.layout.chain",
            line,
            fault,
            "at which station a loop is cut open decides how many starts are tried; the cheapest loop is among them",
        )
        for line, fault in (
            ("covers = np.zeros(2 * n_stations + 1, dtype=np.intp)", "n_stations+2"),
            ("np.add.at(covers, station, 1)", "station,0)"),
        )
    ),
    EqualFault(
        "steps.layout.chain",
        "if starts.size == 0:",
        "==-1",
        "a short cut: without a start nothing is carried on, and there is no loop",
    ),
    EqualFault(
        "steps.layout.chain",
        "if lo == hi or np.isinf(label[row]).all():",
        "lo==hiandnp",
        "a short cut: from there nothing is carried on, or at no finite cost",
    ),
    *(
        EqualFault(
            "detection.stretches",
            "_OPPOSITE, _ALONG_ZONE = 0.906, (0.1, 0.3, 0.5, 0.7, 0.9)",
            fault,
            "a share below nothing is counted from the other end of a line: the same place, to rounding",
        )
        for fault in ("(-0.9,0.3", "0.3,-0.5,0.7")
    ),
    EqualFault("detection.envelope", "shape = beams[0].lowest.shape", "beams[-1]", "all beams have the same nodes"),
    EqualFault(
        "detection.accuracy",
        "low, high = min(at[0], also.min(initial=at[0])), max(at[-1], also.max(initial=at[-1]))",
        "max(at[-0],",
        "the second of the two is the last place at least",
    ),
    EqualFault(
        "earthwork.volumes",
        "crossing = np.maximum(a, b) ** 2 / (2 * np.where(span > 0, span, 1.0))",
        "span,2.0)",
        "ends that are as high have one sign: there the mean is taken",
    ),
    EqualFault(
        "earthwork.volumes",
        "return np.where(a * b < 0, crossing, (np.maximum(a, 0) + np.maximum(b, 0)) / 2)",
        "a/b<0",
        "a quotient has the sign of the product; where one end is nothing both formulas give half the other",
    ),
    EqualFault(
        "earthwork.falls",
        "self._number = np.full(self.level.size, -1)",
        "size,-0)",
        "a cell off the strip then stands for its first one: that, and all that touch one off it, lie at its rim, "
        "which is never moved, and falls between two cells that are not moved are left out",
    ),
    EqualFault(
        "earthwork.falls",
        "inside = (q != p) & (upper >= 0) & (lower >= 0)",
        "(q!=p)|(upper>=0)&",
        "a cell off the strip then stands for its last one: that, all that touch one off it, and all over which water "
        "leaves lie at its rim, which is never moved, and falls between two cells that are not moved are left out",
    ),
    EqualFault(
        "earthwork.falls",
        "beyond = free[free > np.flatnonzero(busy[way]).max(initial=0)]",
        "initial=-1)",
        "a way begins in the pond, which is busy: the largest is nothing at least",
    ),
    EqualFault("earthwork.solving", "self._again += 1", "+=2", "it is asked alone whether it has come to one"),
    EqualFault(
        "earthwork.limits",
        'rows.add(f"heads of {line.name}", none, entries, -np.inf * one, 0.0 * one)',
        "0.0/one)",
        "nothing by one is nothing",
    ),
    EqualFault(
        "earthwork.water",
        "there = np.s_[dr:, max(dc, 0) : columns + min(dc, 0)]",
        "columns+min(dc,1)]",
        "an end one past the last column is cut off",
    ),
    EqualFault(
        "steps.layout.zoning",
        "cover = np.zeros(2 * n + 1, dtype=np.int64)",
        "2*n+2",
        "one entry more, which is not read",
    ),
    EqualFault(
        "steps.layout.chain",
        "jumpers = np.unique(tail[(offset + span > n_stations) & (offset > 0)])",
        "(offset>-1)",
        "no zone is as long as a whole turn: none that starts at the cut runs over it",
    ),
    EqualFault(
        "steps.layout.chain",
        "if lo == hi or np.isinf(label[node]):",
        "lo==hiandnp",
        "a short cut: from there nothing is carried on, or at no finite cost",
    ),
    EqualFault(
        "steps.channels.colouring",
        "following = int(among[np.argmax(adjacent[np.ix_(among, among)].sum(axis=1))])",
        "axis=0",
        "who is adjacent to whom is mutual",
    ),
    *(
        EqualFault(
            "detection.nuisance",
            "for columns in (range(middle + 1, level.shape[1]), range(middle - 1, -1, -1)):",
            fault,
            "the beam line's level is known, and what is filled beside it is filled from there in either turn",
        )
        for fault in ("(range(middle-1,level", "range(middle+1,-1,-1)")
    ),
    EqualFault(
        "detection.nuisance",
        "found.append(np.where(last < 0, 0.0, (last + np.clip(part, 0.0, 1.0)) * step))",
        "np.clip(part,-1.0,1.0)",
        "the inner place reaches the threshold, so that the share is never below nothing",
    ),
    EqualFault(
        "steps.drain.kernel",
        "feeders = [n for n in near if n != up[-1] and flow.receiver[n] == up[-1]]",
        "n!=up[-0]",
        "only where water ends does a cell receive itself, and of a way up that can be the first alone",
    ),
)


#: Names in lines that only decide how much is looked at together, for the sake of memory or speed.
TOGETHER = ("TILE_ZONES", "quarter", "_CHUNK", "_AT_ONCE", "_LABEL_BYTES", "_BATCH_CELLS", "_LEAST_CELLS", "_PLACES")


def _bare(text: str) -> str:
    return "".join(text.split())


def why_equal(module: str, before: str, after: str) -> str:
    """Why a fault changes nothing; empty where it is not known to."""
    for one in EQUAL:
        if module == f"geotools.{one.module}" and _bare(one.line) in _bare(before) and _bare(one.fault) in _bare(after):
            return one.why
    if any(name in before for name in TOGETHER):
        return "how much is looked at together; each is answered by itself"
    return ""
