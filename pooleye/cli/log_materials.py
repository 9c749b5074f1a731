"""`pooleye vessel`, `wax`, `fragrance`, `wick`, `lot`: with a name they add, without they list."""

from __future__ import annotations

from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Folder, add_all, mm, need, opened, percent, tell, when

Name = Annotated[str | None, typer.Argument(metavar="[NAME]", help="Name to add; none lists what is there.")]
Note = Annotated[str | None, typer.Option(help="Anything worth keeping.")]
Length = str | None


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"vessel": vessel, "wax": wax, "fragrance": fragrance, "wick": wick, "lot": lot})


def vessel(
    name: Name = None,
    rim_inner: Annotated[Length, typer.Option(metavar="LEN", help="Inner diameter at the rim, wall to wall.")] = None,
    rim_outer: Annotated[Length, typer.Option(metavar="LEN", help="Outer diameter at the rim.")] = None,
    base_inner: Annotated[Length, typer.Option(metavar="LEN", help="Inner diameter at the base, if tapered.")] = None,
    height: Annotated[Length, typer.Option(metavar="LEN", help="Height outside.")] = None,
    inner_depth: Annotated[Length, typer.Option(metavar="LEN", help="Depth inside, rim to bottom.")] = None,
    material: Annotated[str | None, typer.Option(help="Clear glass, tin, ceramic …")] = None,
    kind: Annotated[str | None, typer.Option(help="container or tea-light; else by the diameter.")] = None,
    note: Note = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Add a vessel, or list the vessels."""
    from pooleye.burnlog import materials

    with opened(folder) as workspace:
        if name is None:
            return tell(materials.list_materials(workspace, "vessel"), as_json)
        rim = mm(
            need([rim_inner] if rim_inner else None, "rim", f"pooleye vessel {name} --rim-inner 76mm")[0], "inner rim"
        )
        added = materials.add_vessel(
            workspace,
            name,
            rim or 0.0,
            rim_outer_mm=mm(rim_outer, "outer rim"),
            base_inner_mm=mm(base_inner, "inner base"),
            height_mm=mm(height, "height"),
            inner_depth_mm=mm(inner_depth, "inner depth"),
            material=material,
            kind=kind,
            note=note,
        )
        tell(added, as_json)


def wax(
    name: Name = None,
    family: Annotated[str | None, typer.Option(help="paraffin, soy, coconut, beeswax or blend.")] = None,
    cure_days: Annotated[float | None, typer.Option(help="Days to cure before the first burn.")] = None,
    density: Annotated[float | None, typer.Option(help="Density of the solid wax, g/cm³.")] = None,
    max_load: Annotated[str | None, typer.Option(metavar="PERCENT", help="Highest fragrance load it takes.")] = None,
    note: Note = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Add a wax, or list the waxes."""
    from pooleye.burnlog import materials

    with opened(folder) as workspace:
        if name is None:
            return tell(materials.list_materials(workspace, "wax"), as_json)
        load = percent(max_load, "highest load")
        added = materials.add_wax(
            workspace, name, family=family, cure_days=cure_days, density_g_cm3=density, max_load_percent=load, note=note
        )
        tell(added, as_json)


def fragrance(
    name: Name = None,
    max_load: Annotated[str | None, typer.Option(metavar="PERCENT", help="Highest load its maker allows.")] = None,
    note: Note = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Add a fragrance, or list the fragrances."""
    from pooleye.burnlog import materials

    with opened(folder) as workspace:
        if name is None:
            return tell(materials.list_materials(workspace, "fragrance"), as_json)
        load = percent(max_load, "highest load")
        tell(materials.add_fragrance(workspace, name, max_load_percent=load, note=note), as_json)


def wick(
    name: Name = None,
    series: Annotated[str | None, typer.Option(help="The series it belongs to.")] = None,
    size_order: Annotated[int | None, typer.Option(help="Its rank in the series, small to large: 1, 2, 3 …")] = None,
    diameter: Annotated[Length, typer.Option(metavar="LEN", help="Its diameter.")] = None,
    note: Note = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Add a wick, or list the wicks."""
    from pooleye.burnlog import materials

    with opened(folder) as workspace:
        if name is None:
            return tell(materials.list_materials(workspace, "wick"), as_json)
        added = materials.add_wick(
            workspace, name, series=series, size_order=size_order, diameter_mm=mm(diameter, "wick diameter"), note=note
        )
        tell(added, as_json)


def lot(
    component: Annotated[
        str | None, typer.Argument(metavar="[COMPONENT]", help="wax, fragrance, wick, sticker, vessel or dye.")
    ] = None,
    label: Annotated[str | None, typer.Argument(metavar="[LABEL]", help="The lot's own number, as on the bag.")] = None,
    of: Annotated[str | None, typer.Option("--of", metavar="NAME", help="Which wax, wick … it is.")] = None,
    amount: Annotated[str | None, typer.Option(help="How much: 5kg of wax, 200 wicks.")] = None,
    price: Annotated[float | None, typer.Option(help="What that amount cost.")] = None,
    currency: Annotated[str | None, typer.Option(help="Currency; else the workspace's.")] = None,
    supplier: Annotated[str | None, typer.Option(help="Who sold it.")] = None,
    bought: Annotated[str | None, typer.Option(metavar="TIME", help="When it was bought.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Add a lot of a component, or list the lots."""
    from pooleye.burnlog import materials

    with opened(folder) as workspace:
        if component is None:
            return tell(materials.list_lots(workspace), as_json)
        example = f"pooleye lot {component} L-0415 --of NAME --amount 5kg --price 42"
        title, name = (
            need([label] if label else None, "lot", example)[0],
            need([of] if of else None, component, example)[0],
        )
        added = materials.add_lot(
            workspace,
            component,
            title,
            name,
            amount=_amount(component, amount),
            price=price,
            currency=currency,
            supplier=supplier,
            bought_at=when(workspace, bought),
        )
        tell(added, as_json)


def _amount(component: str, text: str | None) -> float | None:
    from pooleye.errors import UsageError
    from pooleye.units import parse_mass_g

    if text is None or component in ("wax", "fragrance", "dye"):
        return None if text is None else parse_mass_g(text, "amount")
    try:
        return float(text.split()[0])
    except (ValueError, IndexError):
        raise UsageError("not-a-count", f"“{text}” is no number of pieces", hint="--amount 200") from None
