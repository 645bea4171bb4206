"""The manual's page on handing a plan to others, with the table of who sees what, made from the declarations."""

from __future__ import annotations

from geotools.cli.markdown import cell, table
from geotools.plan.audiences import CLIENT, CONTRACTOR, PUBLIC, extract
from geotools.plan.schema import LAYERS

__all__ = ["sharing_page"]

_TEXT = """# Handing a plan to others

`plan.gpkg` holds every weak place of a site; deleting layers leaves them in the file's free pages. What others are to
have is written anew:

```bash
geotools share SITE.toml --out JOB --for contractor --to yard.zip --recipient "Example Earthworks Ltd"
```

| `--to` | what is written |
|---|---|
| `FILE.gpkg` | the plan: layers and fields that the audience sees, the toolkit's own styles, and a map of them |
| `FILE.pdf` | one A3 sheet with legend and scale, the recipient's name in its block and across it |
| `FILE.zip` | `plan.gpkg`, `plan.pdf` and the rasters that the audience sees |

- Whoever gets paper, or a zip, is named with `--recipient`, or as `recipient` under `[sheets]`; only for the public
  may it be left out. All that a job writes for paper carries the name of `[sheets]`: across every page of report,
  drawing sheets, stack sheets, commissioning book and walk-test sketches, across `report.html` and `explore.html`,
  above printed spreadsheets. Change it and `geotools run --resume` writes them anew; no layer is stale for it.
- Nothing stale is handed over: the command names what is stale, and `geotools run --resume` brings it up to date.
- Layers and fields that you added stay behind, as do styles and maps of your own: all of them can name what is left
  out. `full` takes everything along, but not what was deleted before.
- The contractor's plan shows where ground is moved, and so where it was uneven: give it to those who build.
- The file can be read by your account alone (mode 0600), unless `private = false` stands under `[sharing]`.

A test searches the public's files of a demonstration plan, byte by byte and unpacked, for every coordinate and every
text of all other layers.

## Who sees what

The [site file](site-file.md#sharing) can change it: a list under `[sharing]` replaces the one below. An entry is
`layer.field`, `layer.*` for all its fields, or the name of a raster. The command warns where more than the fence is
opened to the public.

```toml
[sharing]
public = ["fence.fence_id", "fence.length_m", "corridor.area_m2"]
```

`full` sees everything. The others by default:
"""


def sharing_page() -> str:
    """The page with its table: a row a layer, a column an audience."""
    tables = {"public": PUBLIC, "contractor": CONTRACTOR, "client": CLIENT}
    seen = {who: extract(entries, LAYERS, who) for who, entries in tables.items()}
    rows = []
    for name, full in LAYERS.items():
        cells = []
        for found in seen.values():
            layer = next((schema for schema in found.layers if schema.name == name), None)
            whole = layer is not None and len(layer.fields) == len(full.fields)
            fields = [] if layer is None else layer.field_names
            cells.append("all" if whole else cell(", ".join(f"`{field}`" for field in fields)) or "-")
        rows.append((f"[{name}](layers.md#{name})", *cells))
    for raster in sorted(frozenset().union(*(found.rasters for found in seen.values()))):
        rows.append((f"`{raster}`", *("yes" if raster in found.rasters else "-" for found in seen.values())))
    return _TEXT + "\n" + table(("layer", *tables), rows)
