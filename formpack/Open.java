import java.io.File;
import java.io.OutputStream;
import java.io.PrintStream;
import java.util.List;
import org.javarosa.core.model.Constants;
import org.javarosa.core.model.FormDef;
import org.javarosa.core.model.FormIndex;
import org.javarosa.core.model.instance.InstanceInitializationFactory;
import org.javarosa.core.reference.PrefixedRootFactory;
import org.javarosa.core.reference.Reference;
import org.javarosa.core.reference.ReferenceManager;
import org.javarosa.core.reference.ResourceReference;
import org.javarosa.core.services.IPropertyManager;
import org.javarosa.core.services.PropertyManager;
import org.javarosa.core.services.properties.IPropertyRules;
import org.javarosa.form.api.FormEntryController;
import org.javarosa.form.api.FormEntryModel;
import org.javarosa.model.xform.XFormsModule;
import org.javarosa.xform.util.XFormUtils;

/** Opens each form named, its lists beside it, and looks at every question and choice as a phone would; a line a form says how it went. */
public class Open {
    public static void main(String[] paths) throws Exception {
        PrintStream out = new PrintStream(System.out, true, "UTF-8");
        System.setOut(new PrintStream(new OutputStream() { public void write(int b) { } }));
        new XFormsModule().registerModule();
        PropertyManager.setPropertyManager(new IPropertyManager() {
            public List<String> getProperty(String name) { return List.of("office"); }
            public String getSingularProperty(String name) { return "office"; }
            public void setProperty(String name, String value) { }
            public void setProperty(String name, List<String> value) { }
            public void addRules(IPropertyRules rules) { }
            public List<IPropertyRules> getRules() { return List.of(); }
        });
        for (String path : paths) {
            String at = "";
            try {
                FormEntryModel model = new FormEntryModel(load(path));
                new FormEntryController(model);
                for (FormIndex index = model.incrementIndex(FormIndex.createBeginningOfFormIndex()); !index.isEndOfFormIndex();
                        index = model.incrementIndex(index)) {
                    if (model.getEvent(index) != FormEntryController.EVENT_QUESTION) continue;
                    at = index.getReference().getNameLast();
                    int control = model.getQuestionPrompt(index).getControlType();
                    if (control == Constants.CONTROL_SELECT_ONE || control == Constants.CONTROL_SELECT_MULTI)
                        model.getQuestionPrompt(index).getSelectChoices();
                }
                out.println(path + "\tOK");
            } catch (Throwable wrong) {
                String said = String.valueOf(wrong.getMessage()).replace('\n', ' ').replace('\t', ' ');
                out.println(path + "\t" + (at.isEmpty() ? said : "at " + at + ": " + said));
            }
        }
    }

    static FormDef load(String path) throws Exception {
        File folder = new File(path).getParentFile();
        ReferenceManager references = ReferenceManager.instance();
        references.reset();
        references.addReferenceFactory(new PrefixedRootFactory(new String[] {"file-csv", "file"}) {
            protected Reference factory(String terminal, String uri) {
                return new ResourceReference(uri) {
                    public String getLocalURI() { return new File(folder, terminal).getAbsolutePath(); }
                    public java.io.InputStream getStream() throws java.io.IOException {
                        return new java.io.FileInputStream(new File(folder, terminal));
                    }
                };
            }
        });
        FormDef form = XFormUtils.getFormFromFormXml(path, null);
        form.initialize(true, new InstanceInitializationFactory());
        return form;
    }
}
