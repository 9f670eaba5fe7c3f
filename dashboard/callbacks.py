"""Callbacks of a page: plain functions of its module, listed as they are written, bound when an application is made."""

from collections.abc import Callable, Mapping, Sequence
from typing import Concatenate, ParamSpec, TypeAlias, TypeVar

from dash import ClientsideFunction, Dash
from dash.dependencies import DashDependency

from dashboard.context import Context

Inputs: TypeAlias = Mapping[str, DashDependency | Sequence[DashDependency] | Mapping[str, DashDependency]]
Updates: TypeAlias = tuple[object, ...]  # a value an output; `no_update` leaves what is there
P = ParamSpec("P")
R = TypeVar("R")
Function: TypeAlias = Callable[Concatenate[Context, P], R]


class Callbacks:
    """Dash's `callback` without an application; a function gets the context first, then the values of its inputs."""

    def __init__(self) -> None:
        self._listed: list[Callable[[Dash, Context], None]] = []

    def __call__(
        self, *signature: DashDependency, inputs: Inputs | None = None, prevent_initial_call: bool | str = False
    ) -> Callable[[Function[P, R]], Function[P, R]]:
        """List a function with its outputs, inputs and states, in Dash's order; or with outputs, and inputs by name."""

        def listed(function: Function[P, R]) -> Function[P, R]:
            def register(app: Dash, context: Context) -> None:
                def bound(*args: P.args, **kwargs: P.kwargs) -> R:
                    return function(context, *args, **kwargs)

                output = signature[0] if len(signature) == 1 else list(signature)
                named = {} if inputs is None else {"output": output, "inputs": inputs}
                app.callback(*([] if named else signature), **named, prevent_initial_call=prevent_initial_call)(bound)

            self._listed.append(register)
            return function

        return listed

    def in_browser(self, name: str, *signature: DashDependency, prevent_initial_call: bool = False) -> None:
        """List a function of `assets`, of its name in `dash_clientside.everymetre`."""
        function = ClientsideFunction("everymetre", name)
        self._listed.append(
            lambda app, _context: app.clientside_callback(  # type: ignore[no-untyped-call]  # Dash leaves it untyped
                function, *signature, prevent_initial_call=prevent_initial_call
            )
        )

    def register(self, app: Dash, context: Context) -> None:
        """Register all that are listed, in their order."""
        for register in self._listed:
            register(app, context)
