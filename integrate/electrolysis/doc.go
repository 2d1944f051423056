// Package electrolysis says what a cell will do besides the sum of its charge:
// whether the metal can plate, at which voltage no honest current can flow, what
// gas, acid, base, water and heat the charge makes, what the leads must carry,
// what it costs, and what becomes of all this in a bigger cell.
//
// Everything is a pure function of its arguments in SI base units (kelvin, mol/m³,
// A/m², m³/s ...). A single-formula function returns NaN when an argument lies
// outside the domain that its comment states; the functions that take a struct
// return one error that lists every mistake. Thermodynamics bounds what may
// happen, kinetics decides what does: figures that rest on a table of this
// package say where they come from, and none of them is a safety device.
package electrolysis
