// Package rimeyard is only the root of the module: the program is in cmd/rimeyard. The one test here holds the
// directions in which packages may import each other.
package rimeyard
