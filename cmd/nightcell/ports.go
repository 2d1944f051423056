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
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("%s takes no arguments, but %q was given", cmd.CommandPath(), args[0])
			}
			return nil
		},
		RunE: func(*cobra.Command, []string) error {
			ports, err := line.Ports()
			if err != nil {
				if errors.Is(err, line.ErrNoListing) {
					return usageError{err}
				}
				return err
			}
			if asJSON {
				return printJSON(s.out, portList(ports))
			}
			return printPorts(s.out, ports)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

// portsReport is what ports --json prints.
type portsReport struct {
	Ports []portReport `json:"ports"`
}

type portReport struct {
	Name         string         `json:"name"`
	Device       string         `json:"device"`
	ByPath       string         `json:"by_path,omitempty"`
	USB          *usbReport     `json:"usb,omitempty"`
	Access       bool           `json:"access"`
	Group        string         `json:"group,omitempty"`
	HeldBy       []holderReport `json:"held_by"`
	NameIsStable bool           `json:"name_is_stable"`
}

type usbReport struct {
	Vendor       string `json:"vendor"`
	Product      string `json:"product"`
	Maker        string `json:"maker,omitempty"`
	Name         string `json:"name,omitempty"`
	Serial       string `json:"serial,omitempty"`
	SerialShared bool   `json:"serial_shared"`
}

type holderReport struct {
	Process int    `json:"process"`
	Name    string `json:"name"`
}

func portList(ports []line.Port) portsReport {
	r := portsReport{Ports: []portReport{}}
	for _, p := range ports {
		one := portReport{Name: nameOf(p), Device: p.Device, ByPath: p.ByPath, Access: p.Access, Group: p.Group,
			HeldBy: []holderReport{}, NameIsStable: p.Stable != ""}
		if p.USB != nil {
			u := usbReport(*p.USB)
			one.USB = &u
		}
		for _, h := range p.Holders {
			one.HeldBy = append(one.HeldBy, holderReport{h.PID, h.Name})
		}
		r.Ports = append(r.Ports, one)
	}
	return r
}

// nameOf is the name to use in a configuration.
func nameOf(p line.Port) string {
	if p.Stable != "" {
		return p.Stable
	}
	return p.Device
}

func printPorts(w io.Writer, ports []line.Port) error {
	if len(ports) == 0 {
		_, err := fmt.Fprintln(w, "No serial port found. Plug in the adapter and try again. For a supply on the network use port = \"tcp://host:port\".")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "port\tdevice\tUSB\taccess\topen in")
	for _, p := range ports {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", nameOf(p), p.Device, usbText(p.USB), accessText(p), holdersText(p.Holders))
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
