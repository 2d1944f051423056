package configs

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"

	"nightcell/drivers/scpi"
)

// readDialect lays what is written over the standard dialect. The keys are the
// tags of scpi.Dialect, so that a new field there needs nothing here.
func readDialect(t *table) scpi.Dialect {
	d := scpi.Standard()
	v := reflect.ValueOf(&d).Elem()
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("toml")
		p, ok := t.find(key)
		if !ok {
			continue
		}
		field := v.Field(i)
		before := reflect.ValueOf(field.Interface())
		if err := t.doc.meta.PrimitiveDecode(p, field.Addr().Interface()); err != nil {
			field.Set(before)
			t.bad(key, "it cannot be read", "write "+wanted(field, before))
		}
	}
	if err := d.Check(); err != nil {
		for _, complaint := range strings.Split(err.Error(), "\n") {
			key, wrong, _ := strings.Cut(complaint, ": ")
			if t.doc.blamed(t.key(key)) {
				continue
			}
			wrong, remedy, _ := strings.Cut(wrong, "; ")
			t.bad(key, wrong, remedy)
		}
	}
	t.done()
	return d
}

// wanted says of what kind a field of the dialect is, with its standard value.
func wanted(field, standard reflect.Value) string {
	if text, ok := standard.Interface().(encoding.TextMarshaler); ok {
		if b, err := text.MarshalText(); err == nil && !standard.IsZero() {
			return fmt.Sprintf("a time such as %q", b)
		}
		return `a time such as "20 ms"`
	}
	switch field.Kind() {
	case reflect.String:
		if standard.IsZero() {
			return "text in quotation marks"
		}
		return fmt.Sprintf("text in quotation marks such as %q", standard)
	case reflect.Bool:
		return "true or false"
	}
	return fmt.Sprintf("a whole number such as %v", standard)
}
