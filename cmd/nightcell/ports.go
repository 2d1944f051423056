package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"nightcell/drivers/line"
)

func newPortsCommand(s *shell) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "ports",
		Short: "List serial ports, which process has each open, and any missing permission",
		Long: "Lists the serial ports of this machine without opening them. Use the first column\n" +
			"in a configuration: unlike /dev/ttyUSB0, that name stays the same when the\n" +
			"adapter is plugged in again. A port that another process has open cannot be used\n" +
			"until that process ends.",
		Example: "  nightcell ports\n" +
			"  nightcell ports --json",
		Args: between(0, 0, "nightcell ports"),
		RunE: func(*cobra.Command, []string) error {
			ports, err := line.Ports()
			if err != nil {
				if errors.Is(err, line.ErrNoListing) {
					return usageError{err}
				}
				return err
			}
			if asJSON {
				return printJSON(s.out, map[string]any{"ports": append([]line.Port{}, ports...)})
			}
			return printPorts(s.out, ports)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

func printPorts(w io.Writer, ports []line.Port) error {
	if len(ports) == 0 {
		_, err := fmt.Fprintln(w, "No serial port found. Plug in the adapter and try again. For a supply on the network use port = \"tcp://host:port\".")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "port\tdevice\tUSB\taccess\topen in")
	for _, p := range ports {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", p.Name, p.Device, usbText(p.USB), accessText(p), holdersText(p.HeldBy))
	}
	return t.Flush() // reports any error of the lines before
}

func usbText(u *line.USB) string {
	if u == nil {
		return "-"
	}
	text := strings.TrimSpace(u.Vendor + ":" + u.Product + " " + strings.TrimSpace(u.Maker+" "+u.Name))
	switch {
	case u.Serial == "":
		return text + ", no serial number"
	case u.SerialShared:
		return text + ", serial " + u.Serial + " (not the only one)"
	}
	return text + ", serial " + u.Serial
}

func accessText(p line.Port) string {
	if p.Access {
		return "yes"
	}
	if p.Group == "" {
		return "no"
	}
	return "no: join group " + p.Group
}

func holdersText(list []line.Holder) string {
	if len(list) == 0 {
		return "none found"
	}
	names := make([]string, len(list))
	for i, h := range list {
		names[i] = h.String()
	}
	return strings.Join(names, ", ")
}
