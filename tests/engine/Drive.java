import java.io.BufferedReader;
import java.io.File;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Path;
import org.javarosa.core.model.FormDef;
import org.javarosa.core.model.FormIndex;
import org.javarosa.core.model.SelectChoice;
import org.javarosa.core.model.ValidateOutcome;
import org.javarosa.core.model.condition.EvaluationContext;
import org.javarosa.core.model.data.DateData;
import org.javarosa.core.model.data.DecimalData;
import org.javarosa.core.model.data.IAnswerData;
import org.javarosa.core.model.data.IntegerData;
import org.javarosa.core.model.data.SelectOneData;
import org.javarosa.core.model.data.StringData;
import org.javarosa.core.model.instance.InstanceInitializationFactory;
import org.javarosa.core.model.instance.TreeReference;
import org.javarosa.core.reference.ReferenceManager;
import org.javarosa.core.services.PropertyManager;
import org.javarosa.core.services.properties.IPropertyRules;
import org.javarosa.core.services.IPropertyManager;
import org.javarosa.core.util.externalizable.PrototypeFactory;
import org.javarosa.form.api.FormEntryController;
import org.javarosa.form.api.FormEntryModel;
import org.javarosa.form.api.FormEntryPrompt;
import org.javarosa.model.xform.XFormSerializingVisitor;
import org.javarosa.model.xform.XFormsModule;
import org.javarosa.core.model.utils.DateUtils;
import org.javarosa.xform.util.XFormUtils;

/** Answers a form as a phone would, by commands on standard input: one line a command, one line an answer. */
public class Drive {
    static FormDef form;
    static FormEntryModel model;
    static FormEntryController controller;
    static File folder;

    public static void main(String[] arguments) throws Exception {
        PrintStream out = new PrintStream(System.out, true, "UTF-8");
        System.setOut(new PrintStream(new java.io.OutputStream() { public void write(int b) { } }));
        new XFormsModule().registerModule();
        PropertyManager.setPropertyManager(new IPropertyManager() {
            public java.util.List<String> getProperty(String name) { return java.util.List.of(getSingularProperty(name)); }
            public String getSingularProperty(String name) { return "phone-test"; }
            public void setProperty(String name, String value) { }
            public void setProperty(String name, java.util.List<String> value) { }
            public void addRules(IPropertyRules rules) { }
            public java.util.List<IPropertyRules> getRules() { return java.util.List.of(); }
        });
        BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
        String line;
        while ((line = in.readLine()) != null) {
            String[] words = line.split("\t", -1);
            try {
                out.println(run(words));
            } catch (Throwable wrong) {
                out.println("ERROR\t" + String.valueOf(wrong).replace('\n', ' ').replace('\t', ' '));
            }
        }
    }

    static String run(String[] words) throws Exception {
        switch (words[0]) {
            case "FORM": return load(words[1]);
            case "SET": return set(words[1], words[2]);
            case "CHOICES": return choices(words[1]);
            case "LANGUAGE": controller.setLanguage(words[1]); return "OK";
            case "LABEL": return find(words[1]) == null ? "ABSENT" : "OK\t" + prompt(words[1]).getQuestionText();
            case "SHOWN": return shown();
            case "IMAGE": return images(words[1]);
            case "THERE": return there();
            case "GET": return get(words[1]);
            case "VALIDATE": return validate();
            case "XML": return "OK\t" + xml();
            default: return "ERROR\tunknown command";
        }
    }

    static String load(String path) throws Exception {
        folder = new File(path).getParentFile();
        ReferenceManager references = ReferenceManager.instance();
        references.reset();
        references.addReferenceFactory(new org.javarosa.core.reference.PrefixedRootFactory(new String[] {"file-csv", "file"}) {
            protected org.javarosa.core.reference.Reference factory(String terminal, String uri) {
                return new org.javarosa.core.reference.ResourceReference(uri) {
                    public String getLocalURI() { return new File(folder, terminal).getAbsolutePath(); }
                    public java.io.InputStream getStream() throws java.io.IOException {
                        return new java.io.FileInputStream(new File(folder, terminal));
                    }
                };
            }
        });
        form = XFormUtils.getFormFromFormXml(path, null);
        model = new FormEntryModel(form);
        controller = new FormEntryController(model);
        form.initialize(true, new InstanceInitializationFactory());
        return "OK";
    }

    static FormIndex find(String name) {
        FormIndex index = FormIndex.createBeginningOfFormIndex();
        while (true) {
            index = model.incrementIndex(index);
            if (index.isEndOfFormIndex()) return null;
            if (model.getEvent(index) == FormEntryController.EVENT_QUESTION
                    && index.getReference().getNameLast().equals(name) && model.isIndexRelevant(index)) return index;
        }
    }

    /** Every text a person can read now: labels, hints and choices of what is relevant. */
    static String shown() {
        StringBuilder said = new StringBuilder("OK");
        for (FormIndex index = model.incrementIndex(FormIndex.createBeginningOfFormIndex()); !index.isEndOfFormIndex();
                index = model.incrementIndex(index)) {
            if (!model.isIndexRelevant(index)) continue;
            if (model.getEvent(index) == FormEntryController.EVENT_GROUP) {
                say(said, model.getCaptionPrompt(index).getQuestionText());
            } else if (model.getEvent(index) == FormEntryController.EVENT_QUESTION) {
                FormEntryPrompt prompt = model.getQuestionPrompt(index);
                say(said, prompt.getQuestionText());
                say(said, prompt.getHelpText());
                say(said, prompt.getConstraintText());
                if (prompt.getControlType() == org.javarosa.core.model.Constants.CONTROL_SELECT_ONE)
                    for (SelectChoice choice : prompt.getSelectChoices()) say(said, prompt.getSelectChoiceText(choice));
            }
        }
        return said.toString();
    }

    static void say(StringBuilder said, String text) {
        if (text != null) said.append('\t').append(text.replace('\n', ' ').replace('\t', ' '));
    }

    /** The picture of a question, and those of its choices in their order, as uris; a dash where there is none. */
    static String images(String name) {
        FormEntryPrompt prompt = prompt(name);
        StringBuilder said = new StringBuilder("OK");
        say(said, prompt.getImageText() == null ? "-" : prompt.getImageText());
        if (prompt.getControlType() == org.javarosa.core.model.Constants.CONTROL_SELECT_ONE)
            for (SelectChoice choice : prompt.getSelectChoices()) {
                String uri = prompt.getSpecialFormSelectChoiceText(choice, "image");
                say(said, uri == null ? "-" : uri);
            }
        return said.toString();
    }

    /** All that is there now, in order, each as name, label, hint, the two messages and the choices, parted by US and RS. */
    static String there() {
        StringBuilder said = new StringBuilder("OK");
        for (FormIndex index = model.incrementIndex(FormIndex.createBeginningOfFormIndex()); !index.isEndOfFormIndex();
                index = model.incrementIndex(index)) {
            if (!model.isIndexRelevant(index)) continue;
            String label = model.getCaptionPrompt(index).getQuestionText(), hint = "", constraint = "", choices = "";
            if (model.getEvent(index) == FormEntryController.EVENT_QUESTION) {
                FormEntryPrompt prompt = model.getQuestionPrompt(index);
                hint = prompt.getHelpText();
                constraint = prompt.getConstraintText();
                if (prompt.getControlType() == org.javarosa.core.model.Constants.CONTROL_SELECT_ONE)
                    for (SelectChoice choice : prompt.getSelectChoices()) choices += '\u001e' + prompt.getSelectChoiceText(choice);
            }
            say(said, String.join("\u001f", index.getReference().getNameLast(), text(label), text(hint), text(constraint),
                required(index.getReference()), choices));
        }
        return said.toString();
    }

    static String text(String said) {
        return said == null ? "" : said;
    }

    /** What a blank answer is told: the engine itself only says that it is required, and whoever shows it looks up the words. */
    static String required(TreeReference reference) {
        String said = text(form.getMainInstance().resolveReference(reference)
            .getBindAttributeValue("http://openrosa.org/javarosa", "requiredMsg"));
        return said.startsWith("jr:itext('") ? text(form.getLocalizer().getText(said.substring(10, said.length() - 2))) : said;
    }

    static String get(String name) {
        FormIndex index = find(name);
        if (index == null) return "ABSENT";
        IAnswerData value = model.getQuestionPrompt(index).getAnswerValue();
        return "OK\t" + (value == null ? "" : value.uncast().getString());
    }

    static FormEntryPrompt prompt(String name) {
        return model.getQuestionPrompt(find(name));
    }

    static String set(String name, String text) {
        FormIndex index = find(name);
        if (index == null) return "ABSENT";
        FormEntryPrompt prompt = model.getQuestionPrompt(index);
        IAnswerData value = null;
        if (!text.isEmpty()) {
            switch (prompt.getControlType()) {
                case org.javarosa.core.model.Constants.CONTROL_SELECT_ONE:
                    for (SelectChoice choice : prompt.getSelectChoices())
                        if (choice.getValue().equals(text)) value = new SelectOneData(choice.selection());
                    if (value == null) return "NOCHOICE";
                    break;
                default:
                    switch (prompt.getDataType()) {
                        case org.javarosa.core.model.Constants.DATATYPE_INTEGER: value = new IntegerData(Integer.parseInt(text)); break;
                        case org.javarosa.core.model.Constants.DATATYPE_DECIMAL: value = new DecimalData(Double.parseDouble(text)); break;
                        case org.javarosa.core.model.Constants.DATATYPE_DATE: value = new DateData(DateUtils.parseDate(text)); break;
                        default: value = new StringData(text);
                    }
            }
        }
        int said = controller.answerQuestion(index, value, true);
        if (said == FormEntryController.ANSWER_OK) return "OK";
        if (said == FormEntryController.ANSWER_REQUIRED_BUT_EMPTY) return "REQUIRED";
        return "CONSTRAINT\t" + String.valueOf(prompt.getConstraintText()).replace('\n', ' ');
    }

    static String choices(String name) {
        StringBuilder said = new StringBuilder("OK");
        for (SelectChoice choice : prompt(name).getSelectChoices()) said.append('\t').append(choice.getValue());
        return said.toString();
    }

    static String validate() {
        ValidateOutcome outcome = form.validate(true);
        return outcome == null ? "OK" : (outcome.outcome == FormEntryController.ANSWER_REQUIRED_BUT_EMPTY ? "REQUIRED\t" : "CONSTRAINT\t")
            + outcome.failedPrompt.getReference().getNameLast();
    }

    static String xml() throws Exception {
        form.postProcessInstance();
        byte[] record = new XFormSerializingVisitor(true).serializeInstance(form.getMainInstance(), form);
        return new String(record, StandardCharsets.UTF_8).replace("\n", " ").replace("\t", " ");
    }
}
