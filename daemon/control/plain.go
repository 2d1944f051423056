package control

import (
	"reflect"

	"nightcell/drivers"
)

// plain makes every text of an order harmless, keys included, as drivers.Plain does.
func plain(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(drivers.Plain(v.String()))
	case reflect.Pointer:
		if !v.IsNil() {
			plain(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				plain(v.Field(i))
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			plain(v.Index(i))
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			key, value := reflect.New(k.Type()).Elem(), reflect.New(v.Type().Elem()).Elem()
			key.Set(k)
			value.Set(v.MapIndex(k))
			plain(key)
			plain(value)
			v.SetMapIndex(k, reflect.Value{})
			v.SetMapIndex(key, value)
		}
	}
}
