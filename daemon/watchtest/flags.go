package watchtest

import "flag"

// Flags gives flags of the test program values of a package's own, unless its command line has them. It is for TestMain.
func Flags(ours map[string]string) {
	flag.Parse()
	flag.Visit(func(f *flag.Flag) { delete(ours, f.Name) })
	for name, value := range ours {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
}
