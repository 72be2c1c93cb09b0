// Package convert turns messages of the contract into the engine's types and
// back. It checks what only the wire can get wrong; what a slot may hold is
// checked by scheduler.Slot.Validate.
package convert
