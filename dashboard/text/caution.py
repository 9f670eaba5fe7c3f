"""The caution on every page, sheet and sign-in form."""

CAUTION = (
    "Advisory only. This tool is not a safety interlock and does not release product. Hot ovens, high test voltage and "
    "moving machinery remain the responsibility of the plant's own protective systems, the applicable codes and "
    "competent persons."
)
