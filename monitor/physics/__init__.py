"""Physics as functions of floats and arrays: conduction, convection, cure, winding."""
