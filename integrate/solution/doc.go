// Package solution works out what a bath's water does with acid, ligands and metal ions: pH, complexes and which
// solid falls out, from published constants. It solves mass balances; it knows no electrode and no run.
package solution
