// Manifest reads a job of batch as a Kubernetes cluster does: strictly, by the types that
// Kubernetes publishes, and by rules that these state in words (k8s.io/api, batch/v1 and
// core/v1) or that the API server holds. It prints what a pod of the job runs, a word a line
// ended by NUL, or with -exit CODE what becomes of a pod that ends so: the action of the job's
// policy.
//
//	manifest [-exit CODE] < job.yaml
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"path"
	"slices"
	"strings"

	batch "k8s.io/api/batch/v1"
	core "k8s.io/api/core/v1"
	"k8s.io/apimachinery/pkg/util/validation"
	"sigs.k8s.io/yaml"
)

func main() {
	exit := flag.Int("exit", -1, "exit code of a pod whose fate is to be told")
	flag.Parse()
	text, err := io.ReadAll(os.Stdin)
	var job batch.Job
	if err == nil {
		err = yaml.UnmarshalStrict(text, &job)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	if wrong := check(&job); len(wrong) > 0 {
		fmt.Fprintln(os.Stderr, strings.Join(wrong, "\n"))
		os.Exit(1)
	}
	if *exit >= 0 {
		fmt.Println(fate(job.Spec.PodFailurePolicy, job.Spec.Template.Spec.Containers[0].Name, int32(*exit)))
		return
	}
	for _, word := range job.Spec.Template.Spec.Containers[0].Command {
		fmt.Print(expanded(word), "\x00")
	}
}

// check lists what an API server would refuse, and what would have the job do something else
// than is meant.
func check(job *batch.Job) (wrong []string) {
	must := func(ok bool, format string, args ...any) {
		if !ok {
			wrong = append(wrong, fmt.Sprintf(format, args...))
		}
	}
	label := func(what, name string, longest int) {
		must(len(validation.IsDNS1123Label(name)) == 0 && len(name) <= longest, "%s %q: must be a DNS label", what, name)
	}
	must(job.APIVersion == batch.SchemeGroupVersion.String() && job.Kind == "Job", "%s %s: must be a Job of %s", job.APIVersion, job.Kind, batch.SchemeGroupVersion)
	s := &job.Spec
	if s.CompletionMode == nil || *s.CompletionMode != batch.IndexedCompletion || s.Completions == nil || s.Parallelism == nil {
		return append(wrong, "completionMode must be Indexed, with completions and parallelism")
	}
	// A pod's host is the job's name, - and its index.
	label("name", job.Name, 63-len(fmt.Sprint("-", *s.Completions-1)))
	must(*s.Completions >= 1 && *s.Parallelism >= 1 && *s.Parallelism <= 1e5, "%d completions, %d side by side: must be at least 1, and side by side 1e5 at most", *s.Completions, *s.Parallelism)
	must(*s.Completions <= 1e5 || s.MaxFailedIndexes != nil, "%d completions: above 1e5 maxFailedIndexes is required", *s.Completions)
	must(s.BackoffLimitPerIndex != nil && *s.BackoffLimitPerIndex >= 1, "backoffLimitPerIndex: FailIndex requires one, and a lost pod a second try")

	pod := &s.Template.Spec
	must(pod.RestartPolicy == core.RestartPolicyNever, "restartPolicy %q: podFailurePolicy and backoffLimitPerIndex require Never", pod.RestartPolicy)
	if len(pod.Containers) != 1 || s.PodFailurePolicy == nil {
		return append(wrong, "there must be one container and a podFailurePolicy")
	}
	c := &pod.Containers[0]
	label("container", c.Name, 63)
	must(c.Image != "" && len(c.Command) > 0, "a container needs an image and a command")
	for _, word := range c.Command {
		must(!strings.Contains(strings.ReplaceAll(word, "$$", ""), "$("), "command %q: names a variable", word)
	}
	must(path.IsAbs(c.WorkingDir), "workingDir %q: must be absolute", c.WorkingDir)
	for name, most := range c.Resources.Limits {
		least, ok := c.Resources.Requests[name]
		must(ok && least.Sign() > 0 && least.Cmp(most) <= 0, "%s: %v requested, %v at most", name, least.String(), most.String())
	}
	must(c.Resources.Limits.Cpu().Sign() > 0 && c.Resources.Limits.Memory().Value() >= 100<<20, "limits %v: must state processors, and memory that a process has room in", c.Resources.Limits)
	var volumes []string
	for _, v := range pod.Volumes {
		label("volume", v.Name, 63)
		volumes = append(volumes, v.Name)
		must(v.PersistentVolumeClaim != nil && v.PersistentVolumeClaim.ClaimName != "" && !v.PersistentVolumeClaim.ReadOnly, "volume %s: must be a claim that can be written", v.Name)
	}
	covered := false
	for _, m := range c.VolumeMounts {
		must(slices.Contains(volumes, m.Name), "volumeMount %s: is no volume", m.Name)
		must(path.IsAbs(m.MountPath) && !strings.Contains(m.MountPath, ":"), "mountPath %q: must be absolute, without a colon", m.MountPath)
		covered = covered || m.MountPath == c.WorkingDir
	}
	must(covered, "workingDir %s: is on no volume", c.WorkingDir)

	rules := s.PodFailurePolicy.Rules
	must(len(rules) <= 20, "%d rules: at most 20 are allowed", len(rules))
	for _, r := range rules {
		must(slices.Contains([]batch.PodFailurePolicyAction{batch.PodFailurePolicyActionFailJob, batch.PodFailurePolicyActionFailIndex, batch.PodFailurePolicyActionIgnore, batch.PodFailurePolicyActionCount}, r.Action), "action %q: is none", r.Action)
		must((r.OnExitCodes == nil) != (len(r.OnPodConditions) == 0), "%s: must have either exit codes or conditions", r.Action)
		if e := r.OnExitCodes; e != nil {
			must(e.ContainerName == nil || *e.ContainerName == c.Name, "%s: its container is none", r.Action)
			must(e.Operator == batch.PodFailurePolicyOnExitCodesOpIn || e.Operator == batch.PodFailurePolicyOnExitCodesOpNotIn, "operator %q: is none", e.Operator)
			must(len(e.Values) > 0 && slices.IsSorted(e.Values) && !slices.Contains(e.Values, 0), "exit codes %v: must be in order, and not 0", e.Values)
		}
	}
	return wrong
}

// fate is the action on a pod whose container ended with a code: that of the first rule that
// fits; Count, if none does.
func fate(policy *batch.PodFailurePolicy, container string, code int32) batch.PodFailurePolicyAction {
	for _, r := range policy.Rules {
		e := r.OnExitCodes
		if e == nil || e.ContainerName != nil && *e.ContainerName != container {
			continue
		}
		if slices.Contains(e.Values, code) == (e.Operator == batch.PodFailurePolicyOnExitCodesOpIn) {
			return r.Action
		}
	}
	return batch.PodFailurePolicyActionCount
}

// expanded is a word of a command as a container gets it: $$ is one $. $(NAME) would be a
// variable of the container (core/v1, Container.Command).
func expanded(word string) string { return strings.ReplaceAll(word, "$$", "$") }
